"""Reader and writer of one described CAN message, each compiled to one function."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import can

from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.source import (
    PLAIN,
    Scope,
    bits_of,
    compiled,
    computed_check,
    counted,
    setter,
    value_of,
    words,
)
from drivers.declared.common import Counters, Sample
from drivers.transport import Scaling

Output = tuple[Sample, Scaling]
Take = Callable[[bytes | bytearray, float], bool]
Set = Callable[[float], None]
Build = Callable[[], can.Message]
NO_COMMANDS: Mapping[str, tuple[str, Scaling]] = {}


class MessageReader:
    """Reader of one kind of message: length, checksum, counter, then its signals.

    Args:
        outputs: signals used: name to sample and scaling.
        watched: samples of signals that a dialogue may read, in the board's own units.

    Attributes:
        take: called with the bytes and the time, returns whether they were valid and new; then the samples
            have their values. A non-finite floating signal makes them invalid.
    """

    def __init__(
        self,
        message: CanMessage,
        counters: Counters,
        outputs: Mapping[str, list[Output]],
        watched: Mapping[str, Sample],
    ) -> None:
        scope: Scope = {
            "counters": counters,
            "from_bytes": int.from_bytes,
            "isfinite": math.isfinite,
        }
        body = _checks(message, scope)
        names = [*outputs, *(name for name in watched if name not in outputs)]
        targets = {
            name: [*outputs.get(name, [])] + ([(watched[name], PLAIN)] if name in watched else [])
            for name in names
        }
        body += _by_kind(message, targets, scope)
        body += ["counters.received += 1", "return True"]
        lines = ["last = -1", "def take(data, now_s):", " nonlocal last"]
        lines += [f" if len(data) != {message.length}:", *_refused("malformed", "  ")]
        lines += [*words(body, " "), *(f" {line}" for line in body)]
        self.take: Take = compiled(lines, "take", scope)


def _checks(message: CanMessage, scope: Scope) -> list[str]:
    """Return the lines that refuse a wrong checksum and a repeated message."""
    lines = []
    if message.checksum is not None:
        carried = bits_of(message.signals[message.checksum.signal], message.length)
        lines.append(f"if {computed_check(message, scope)} != {carried}:")
        lines += _refused("checksum_failures", " ")
    if message.counter is not None:
        signal = message.signals[message.counter.signal]
        modulo = message.counter.modulo or 1 << signal.bits
        lines.append(f"count = {bits_of(signal, message.length)}")
        lines.append(f"if count != {counted('last', modulo)}:")
        lines.append(" if count == last:")
        # The sender repeats a message: its values are as old as the first time.
        lines += _refused("repeated", "  ")
        lines += [" counters.counter_gaps += last >= 0", "last = count"]
    return lines


def _refused(why: str, indent: str) -> list[str]:
    return [f"{indent}counters.{why} += 1", f"{indent}return False"]


def _by_kind(message: CanMessage, targets: Mapping[str, list[Output]], scope: Scope) -> list[str]:
    """Return the lines that store the signals present at each value of the multiplexer."""
    there: dict[int, list[str]] = {}
    for name in targets:
        for kind in message.signals[name].when:
            there.setdefault(kind, []).append(name)
    always = [name for name in targets if not message.signals[name].when]
    if not there or message.multiplexer is None:
        return _stores(message, targets, scope)
    lines = [f"kind = {bits_of(message.signals[message.multiplexer], message.length)}"]
    alike: dict[tuple[str, ...], list[int]] = {}
    for kind, names in there.items():
        alike.setdefault(tuple(names), []).append(kind)
    for i, (own, kinds) in enumerate(alike.items()):
        scope[f"kinds{i}"] = frozenset(kinds)
        lines.append(f"{'elif' if i else 'if'} kind in kinds{i}:")
        stores = _stores(message, {name: targets[name] for name in (*always, *own)}, scope)
        lines += [f" {line}" for line in stores]
    stores = _stores(message, {name: targets[name] for name in always}, scope)
    return [*lines, "else:", *(f" {line}" for line in stores or ["pass"])]


def _stores(message: CanMessage, targets: Mapping[str, list[Output]], scope: Scope) -> list[str]:
    """Return the lines that store these signals in their samples, all of them or none."""
    values, finite, stores = [], [], []
    for name, places in targets.items():
        signal = message.signals[name]
        for sample, scaling in places:
            i = sum(key.startswith("sample") for key in scope)
            scope[f"sample{i}"] = sample
            text = value_of(signal, message.length, f"unpack{i}", scope)
            scale, offset = scaling.sign * scaling.scale, scaling.sign * scaling.offset
            text = text if scale == 1.0 else f"({text}) * {float(scale)!r}"
            text = text if offset == 0.0 else f"{text} + {float(offset)!r}"
            if signal.floating:
                finite.append(f"isfinite(v{i})")
            values.append(f"v{i} = {text}")
            stores += [f"sample{i}.value = v{i}", f"sample{i}.time_s = now_s"]
            stores.append(f"sample{i}.number += 1")
    if finite:
        values += [f"if not ({' and '.join(finite)}):", *_refused("malformed", " ")]
    return [*values, *stores]


class MessageWriter:
    """Builder of one kind of message: values, then counter, then checksum.

    Args:
        takes: signal and scaling by quantity.

    Attributes:
        setters: function of each signal that sets its value in the board's own units; it stays
            until set again, clamped to the range of its bits. ``ValueError`` for NaN.
        commands: the same for each quantity, in SI.
        build: returns the message to be sent now; the same object every time.
    """

    def __init__(
        self, message: CanMessage, takes: Mapping[str, tuple[str, Scaling]] = NO_COMMANDS
    ) -> None:
        self.frame = can.Message(
            arbitration_id=message.id,
            is_extended_id=message.extended,
            is_fd=message.fd,
            data=bytes(message.length),
        )
        scope: Scope = {"frame": self.frame, "from_bytes": int.from_bytes}
        lines = ["little = big = 0", "count = -1", "stale = True"]
        wanted = [(name, PLAIN) for name in message.signals] + list(takes.values())
        for i, (name, scaling) in enumerate(wanted):
            lines += setter(
                message.signals[name], message.signals, message.length, f"set{i}", scope, scaling
            )
        lines += _build(message, scope)
        lines.append(f"all = [{', '.join(f'set{i}' for i in range(len(wanted)))}], build")
        sets, build = compiled(lines, "all", scope)
        self.build: Build = build
        own = len(message.signals)
        self.setters: dict[str, Set] = dict(zip(message.signals, sets[:own], strict=True))
        self.commands: dict[str, Set] = dict(zip(takes, sets[own:], strict=True))
        for name, value in message.values.items():
            self.setters[name](value)

    def set(self, name: str, value: float) -> None:
        """Set one signal in the board's own units."""
        self.setters[name](value)


def _build(message: CanMessage, scope: Scope) -> list[str]:
    length = message.length
    lines = ["def build():", " nonlocal little, big, count, stale"]
    if message.counter is None and message.checksum is None:
        lines += [" if not stale:", "  return frame", " stale = False"]
    if message.counter is not None:
        signal = message.signals[message.counter.signal]
        word, shift = signal.order.partition("_")[0], signal.shift(length)
        clear = (1 << 8 * length) - 1 ^ (1 << signal.bits) - 1 << shift
        lines.append(f" count = {counted('count', message.counter.modulo or 1 << signal.bits)}")
        lines.append(f" {word} = {word} & {clear:#x} | count << {shift}")
    orders = {signal.order for signal in message.signals.values()}
    if len(orders) == 1:
        order = orders.pop().partition("_")[0]
        lines.append(f" data = bytearray({order}.to_bytes({length}, '{order}'))")
    else:
        turned = f"from_bytes(big.to_bytes({length}, 'big'), 'little')"
        lines.append(f" data = bytearray((little | {turned}).to_bytes({length}, 'little'))")
    if message.checksum is not None:
        carrier = message.signals[message.checksum.signal]
        at = min(carrier.positions()) // 8
        check = computed_check(message, scope)
        if carrier.bits == 8:
            lines.append(f" data[{at}] = {check}")
        else:
            size, order = carrier.bits // 8, carrier.order.partition("_")[0]
            lines.append(f" data[{at}:{at + size}] = ({check}).to_bytes({size}, '{order}')")
    return [*lines, " frame.data = data", " return frame"]
