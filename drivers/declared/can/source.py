"""Source text of the functions that parse and build CAN messages, compiled once each.

It is built from checked numbers only, never from text of a profile. ``data`` holds the bytes of a
message, ``little`` and ``big`` all of them as one number in either byte order.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from typing import Any

from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.signals import FLOATS, LARGEST, Signal
from drivers.declared.common import checksum, crc_8
from drivers.transport import Scaling

MOST_UNROLLED = 16  # bytes with one step each
ENDS = {"little_endian": "little", "big_endian": "big"}
Scope = dict[str, Any]
PLAIN = Scaling()


def compiled(body: Iterable[str], name: str, scope: Scope) -> Any:
    """Run the lines of ``body`` inside a separate function and return its ``name``."""
    text = "def make():\n" + "".join(f" {line}\n" for line in body) + f" return {name}\n"
    exec(compile(text, f"<{name}>", "exec"), scope)
    return scope["make"]()


def bits_of(signal: Signal, length: int) -> str:
    """Return the expression of the signal's bits: from one byte, two, or the whole message."""
    touched = sorted({place // 8 for place in signal.positions()})
    if len(touched) <= 2:
        around = 8 * len(touched)
        first, last = touched[0], touched[-1]
        low, high = (first, last) if signal.order == "little_endian" else (last, first)
        word = f"data[{low}]" if first == last else f"(data[{low}] | data[{high}] << 8)"
        shift = signal.positions()[0] % 8
    else:
        around, word, shift = 8 * length, ENDS[signal.order], signal.shift(length)
    shifted = f"{word} >> {shift}" if shift else word
    whole = shift + signal.bits == around
    return f"({shifted})" if whole else f"({shifted} & {(1 << signal.bits) - 1:#x})"


def number_of(signal: Signal, length: int, name: str, scope: Scope) -> str:
    """Return the expression before scale and offset; ``name`` may be used in ``scope``."""
    bits = bits_of(signal, length)
    if signal.floating:
        size = signal.bits // 8
        places = signal.positions()
        if places[0] % 8 == 0:  # whole bytes
            order = "<" if signal.order == "little_endian" else ">"
            scope[name] = struct.Struct(order + FLOATS[signal.bits]).unpack_from
            return f"{name}(data, {min(places) // 8})[0]"
        scope[name] = struct.Struct(">" + FLOATS[signal.bits]).unpack
        return f"{name}({bits}.to_bytes({size}, 'big'))[0]"
    if signal.signed:
        half = 1 << (signal.bits - 1)
        return f"({bits} ^ {half:#x}) - {half:#x}"
    return bits


def value_of(signal: Signal, length: int, name: str, scope: Scope) -> str:
    """Return the expression of the value in the board's own units, a float."""
    number = number_of(signal, length, name, scope)
    if not signal.floating or signal.scale != 1.0:
        number = f"({number}) * {float(signal.scale)!r}"
    return number if signal.offset == 0.0 else f"{number} + {float(signal.offset)!r}"


def words(lines: Iterable[str], indent: str) -> list[str]:
    """Return the lines that compute the integers used by ``lines``."""
    text = "\n".join(lines)
    return [
        f"{indent}{word} = from_bytes(data, '{word}')"
        for word in ENDS.values()
        if f"({word}" in text
    ]


def computed_check(message: CanMessage, scope: Scope) -> str:
    """Return the expression of the checksum over the covered bytes, without its own bytes."""
    declared = message.checksum
    assert declared is not None
    first, last = (end + message.length if end < 0 else end for end in declared.covers)
    own = {place // 8 for place in message.signals[declared.signal].positions()}
    head = message.id.to_bytes(4, "big")[4 - declared.first_identifier_bytes :]
    head = head if declared.first_identifier_bytes else b""
    taken = [at for at in range(first, last + 1) if at not in own or declared.itself is not None]
    if declared.kind == "crc" and declared.width == 8 and 0 < len(taken) <= MOST_UNROLLED:
        table, start, ends = crc_8(declared)
        for byte in head:
            start = table[start ^ byte]
        scope["table"], scope["ends"] = table, ends
        text = str(start)
        for at in taken:
            byte_text = f"{declared.itself}" if at in own else f"data[{at}]"
            text = f"{'ends' if at == taken[-1] else 'table'}[{text} ^ {byte_text}]"
        return text
    scope["check"] = checksum(declared)
    pieces = [f"{head!r}"] if head else []
    run: list[int] = []
    for at in [*taken, -1]:
        if at in own or (run and at != run[-1] + 1):
            pieces += [f"data[{run[0]}:{run[-1] + 1}]"] if run else []
            run = []
        if at in own:
            pieces.append(f"{bytes((declared.itself or 0,))!r}")
        elif at >= 0:
            run.append(at)
    return f"check({' + '.join(pieces) or repr(b'')})"


def counted(number: str, modulo: int) -> str:
    """Return the expression for the next number of a rolling counter."""
    if modulo & (modulo - 1):
        return f"({number} + 1) % {modulo}"
    return f"{number} + 1 & {modulo - 1}"


def setter(
    signal: Signal,
    others: Mapping[str, Signal],
    length: int,
    name: str,
    scope: Scope,
    scaling: Scaling = PLAIN,
) -> list[str]:
    """Return the lines of a function ``name`` that sets a value in the words of a message.

    The value is in the board's own units, or with ``scaling`` in SI. It is clamped to the range of
    the bits; NaN raises ``ValueError``.
    """
    word, shift = ENDS[signal.order], signal.shift(length)
    mask = (1 << signal.bits) - 1
    wanted = "value" if scaling.sign == 1 else "-value"
    for part in (scaling, signal):  # the inverse of Scaling.to_si, and of the signal's own
        wanted = wanted if part.offset == 0.0 else f"({wanted} - {float(part.offset)!r})"
        wanted = wanted if part.scale == 1.0 else f"{wanted} / {float(part.scale)!r}"
    lines = [f"def {name}(value):", f" nonlocal {', '.join(ENDS.values())}, stale"]
    lines.append(f" wanted = {wanted}")
    bits = "raw"
    if signal.floating:
        most = LARGEST[signal.bits]
        scope[f"{name}_pack"] = struct.Struct(">" + FLOATS[signal.bits]).pack
        lines.append(f" if wanted > {most}: wanted = {most}")
        lines.append(f" elif not wanted >= {-most}:")
        lines.append("  if wanted != wanted: raise ValueError('not a number')")
        lines.append(f"  wanted = {-most}")
        lines.append(f" raw = from_bytes({name}_pack(wanted), 'big')")
    else:
        low, high = signal.raw_range()
        # Comparing floats with floats is faster. Beyond 53 bits the upper end is rounded up by one,
        # and no float lies between.
        lines.append(
            f" raw = {low} if wanted <= {float(low)} else {high} if wanted >= "
            f"{float(high)} else round(wanted)"
        )
        bits = f"(raw & {mask:#x})" if signal.signed else bits
    whole = (1 << 8 * length) - 1
    lines.append(f" {word} = {word} & {whole ^ mask << shift:#x} | {bits} << {shift}")
    # Multiplexed signals at the same bits may have either byte order.
    places = set(signal.positions())
    if any(o.order != signal.order and places & set(o.positions()) for o in others.values()):
        other = "big" if word == "little" else "little"
        where = [8 * (length - 1 - p // 8) + p % 8 if other == "big" else p for p in places]
        lines.append(f" {other} &= {whole ^ sum(1 << p for p in where):#x}")
    return [*lines, " stale = True"]
