"""Signals in the bytes of a CAN message, compiled once to plain shifts and masks.

Bits are numbered as database files for CAN do: bit 0 is the least significant bit of byte 0,
bit 8 that of byte 1. ``start`` of a little-endian signal is its least significant bit, of a
big-endian one its most significant bit.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from drivers.declared.quantities import Part

Decode = Callable[[bytes], tuple[float, ...]]
FLOATS = {16: "e", 32: "f", 64: "d"}
LARGEST = {16: 65504.0, 32: 3.4028234663852886e38, 64: 1.7976931348623157e308}  # IEEE 754


class Signal(Part):
    """One signal: where its bits are, and value = raw·scale + offset in the board's own units.

    ``when``: of a multiplexed message, the value of the multiplexer at which it is there.
    """

    start: Annotated[int, Field(ge=0, le=511)]
    bits: Annotated[int, Field(ge=1, le=64)]
    order: Literal["little_endian", "big_endian"] = "little_endian"
    signed: bool = False
    floating: bool = False  # IEEE 754 of 16, 32 or 64 bits
    scale: float = 1.0
    offset: float = 0.0
    when: Annotated[int, Field(ge=0)] | None = None

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("must not be 0: every value would read the same")
        return value

    @model_validator(mode="after")
    def _float_size(self) -> Signal:
        if self.floating and self.bits not in FLOATS:
            raise ValueError("a floating signal has 16, 32 or 64 bits")
        return self

    def positions(self) -> list[int]:
        """Bit numbers, least significant first."""
        if self.order == "little_endian":
            return list(range(self.start, self.start + self.bits))
        first = 8 * (self.start // 8) + 7 - self.start % 8  # from the message's first bit on
        return [8 * (i // 8) + 7 - i % 8 for i in range(first + self.bits - 1, first - 1, -1)]

    def shift(self, length: int) -> int:
        """How far its lowest bit lies from the lowest of the whole message as one number."""
        if self.order == "little_endian":
            return self.start
        first = 8 * (self.start // 8) + 7 - self.start % 8
        return 8 * length - first - self.bits

    def raw_range(self) -> tuple[int, int]:
        if self.signed:
            return -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1
        return 0, (1 << self.bits) - 1

    def raw(self, value: float) -> int:
        """Bits (as a number from 0) that stand for a value; held to what the bits can say.

        Raises:
            ValueError: the value is no number.
        """
        if value != value:
            raise ValueError("not a number")
        if self.floating:
            most = LARGEST[self.bits]
            wanted = max(-most, min(most, (value - self.offset) / self.scale))
            return int.from_bytes(struct.pack(">" + FLOATS[self.bits], wanted), "big")
        low, high = self.raw_range()
        wanted = (value - self.offset) / self.scale
        number = low if wanted <= low else high if wanted >= high else round(wanted)
        return number & ((1 << self.bits) - 1)


def problems(signals: Mapping[str, Signal], length: int, multiplexer: str | None) -> list[str]:
    """What is wrong with the signals of one message of ``length`` bytes, each with its mend."""
    found = []
    taken: dict[int, list[str]] = {}
    for name, signal in signals.items():
        bits = signal.positions()
        if max(bits) >= 8 * length or min(bits) < 0:
            found.append(
                f"signal '{name}' reaches bit {max(bits)}, the message of {length} bytes ends at "
                f"bit {8 * length - 1}: correct start, bits or length"
            )
            continue
        for bit in bits:
            for other in taken.get(bit, ()):
                apart = signals[other].when is not None and signal.when is not None and (
                    signals[other].when != signal.when
                )
                if not apart:
                    text = f"signals '{other}' and '{name}' overlap at bit {bit}: correct one start"
                    if not any(f"'{other}' and '{name}'" in old for old in found):
                        found.append(text)
            taken.setdefault(bit, []).append(name)
        if signal.when is not None and multiplexer is None:
            found.append(f"signal '{name}' has 'when', but the message names no multiplexer")
    if multiplexer is not None:
        if multiplexer not in signals:
            found.append(f"multiplexer '{multiplexer}' is no signal of the message")
        elif signals[multiplexer].when is not None or signals[multiplexer].floating:
            found.append(f"multiplexer '{multiplexer}' must be a whole number that is always there")
    return found


def decoder(signals: Mapping[str, Signal], length: int) -> Decode:
    """A function from ``length`` bytes to the signals' values, in the order of ``signals``.

    ``when`` is not looked at: the caller picks the decoder of the multiplexer's value.
    """
    lines, results = [], []
    orders = {signal.order for signal in signals.values()}
    if "little_endian" in orders:
        lines.append(" x = int.from_bytes(data, 'little')")
    if "big_endian" in orders:
        lines.append(" y = int.from_bytes(data, 'big')")
    scope: dict[str, Any] = {"unpack": struct.unpack}
    for i, signal in enumerate(signals.values()):
        word = "x" if signal.order == "little_endian" else "y"
        shift = signal.shift(length)
        bits = f"({word} >> {shift} & {(1 << signal.bits) - 1:#x})"
        if signal.floating:
            size = signal.bits // 8
            raw = f"unpack('>{FLOATS[signal.bits]}', {bits}.to_bytes({size}, 'big'))[0]"
        elif signal.signed:
            half = 1 << (signal.bits - 1)
            raw = f"(({bits} ^ {half:#x}) - {half:#x})"
        else:
            raw = bits
        if signal.scale != 1.0:
            scope[f"s{i}"] = signal.scale
            raw = f"{raw} * s{i}"
        if signal.offset != 0.0:
            scope[f"o{i}"] = signal.offset
            raw = f"{raw} + o{i}"
        results.append(raw)
    # Built from checked whole numbers only; no text of a profile gets in.
    source = "def decode(data):\n" + "\n".join(lines) + f"\n return ({', '.join(results)},)\n"
    exec(compile(source, "<signals>", "exec"), scope)
    function: Decode = scope["decode"]
    return function


class Encoder:
    """Puts values into the bytes of one message; what is not given keeps its last bits."""

    def __init__(self, signals: Mapping[str, Signal], length: int) -> None:
        self._length = length
        self._number = 0  # little-endian
        self._places: dict[str, tuple[Signal, list[tuple[int, int, int]]]] = {}
        for name, signal in signals.items():
            self._places[name] = (signal, _runs(signal.positions()))

    def set(self, name: str, value: float) -> None:
        """One signal's value; held to what its bits can say. Raises ``ValueError`` for NaN."""
        signal, _ = self._places[name]
        self.set_raw(name, signal.raw(value))

    def set_raw(self, name: str, raw: int) -> None:
        """One signal's bits."""
        number = self._number
        for source, target, count in self._places[name][1]:
            mask = (1 << count) - 1
            number = number & ~(mask << target) | (raw >> source & mask) << target
        self._number = number

    def bytes(self) -> bytes:
        return self._number.to_bytes(self._length, "little")


def _runs(positions: list[int]) -> list[tuple[int, int, int]]:
    """(bit of the value, bit of the message, count) of each stretch of neighbouring bits."""
    runs: list[tuple[int, int, int]] = []
    for source, target in enumerate(positions):
        if runs and target == runs[-1][1] + runs[-1][2]:
            runs[-1] = (runs[-1][0], runs[-1][1], runs[-1][2] + 1)
        else:
            runs.append((source, target, 1))
    return runs
