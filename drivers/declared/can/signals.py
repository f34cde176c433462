"""Signals in the bytes of a CAN message: the position of their bits, and checks.

Bits are numbered as in database files for CAN: bit 0 is the least significant bit of byte 0,
bit 8 that of byte 1. ``start`` of a little-endian signal is its least significant bit, of a
big-endian one its most significant bit.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from drivers.suggest import nearest
from drivers.transport import Part

FLOATS = {16: "e", 32: "f", 64: "d"}
LARGEST = {16: 65504.0, 32: 3.4028234663852886e38, 64: 1.7976931348623157e308}  # IEEE 754


class Signal(Part):
    """One signal: its bits, and value = raw·scale + offset in the board's own units.

    ``unit``: only for checks; it converts nothing.
    ``when``: values of the multiplexer at which the signal is present.
    """

    start: Annotated[int, Field(ge=0, le=511)]
    bits: Annotated[int, Field(ge=1, le=64)]
    order: Literal["little_endian", "big_endian"] = "little_endian"
    signed: bool = False
    floating: bool = False  # IEEE 754 of 16, 32 or 64 bits
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    when: Annotated[
        tuple[Annotated[int, Field(ge=0)], ...],
        BeforeValidator(lambda when: (when,) if isinstance(when, int) else when),
    ] = ()

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("it must not be 0: every value would read the same; write a number")
        return value

    @model_validator(mode="after")
    def _float_size(self) -> Signal:
        if self.floating and self.bits not in FLOATS:
            raise ValueError("bits: a floating signal has 16, 32 or 64; correct one of the two")
        return self

    def positions(self) -> list[int]:
        """Return the bit numbers, least significant first."""
        if self.order == "little_endian":
            return list(range(self.start, self.start + self.bits))
        first = 8 * (self.start // 8) + 7 - self.start % 8  # from the message's first bit on
        return [8 * (i // 8) + 7 - i % 8 for i in range(first + self.bits - 1, first - 1, -1)]

    def shift(self, length: int) -> int:
        """Return the position of its lowest bit in the message read as one number."""
        if self.order == "little_endian":
            return self.start
        first = 8 * (self.start // 8) + 7 - self.start % 8
        return 8 * length - first - self.bits

    def raw_range(self) -> tuple[int, int]:
        if self.signed:
            return -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1
        return 0, (1 << self.bits) - 1


def problems(signals: Mapping[str, Signal], length: int, multiplexer: str | None) -> list[str]:
    """Return the problems of the signals of a message of ``length`` bytes, each with its fix."""
    found = []
    taken: dict[int, list[str]] = {}
    for name, signal in signals.items():
        bits = signal.positions()
        if max(bits) >= 8 * length or min(bits) < 0:
            found.append(
                f"signals.{name}: it reaches bit {max(bits)}, and the message of {length} bytes "
                f"ends at bit {8 * length - 1}; correct start, bits or the message's length"
            )
            continue
        for bit in bits:
            for other in taken.get(bit, ()):
                both = signals[other].when, signal.when
                if not all(both) or set(both[0]) & set(both[1]):
                    found.append(
                        f"signals.{name}: it overlaps '{other}' at bit {bit}; correct start or "
                        "bits of one of the two"
                    )
            taken.setdefault(bit, []).append(name)
        if signal.when and multiplexer is None:
            found.append(
                f"signals.{name}.when: the message names no multiplexer; add 'multiplexer: SIGNAL'"
            )
    if multiplexer is not None:
        if multiplexer not in signals:
            found.append(f"multiplexer: no signal '{multiplexer}'{nearest(multiplexer, signals)}")
        elif signals[multiplexer].when or signals[multiplexer].floating:
            found.append(
                f"multiplexer: '{multiplexer}' must be an integer that is always present; name "
                "another"
            )
    return found
