"""One declared CAN message: its signals, counter, checksum and constants."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated

from pydantic import Field, model_validator

from drivers.declared.can.signals import Signal, problems
from drivers.declared.common import Checksum
from drivers.quantities import Duration
from drivers.suggest import nearest
from drivers.transport import Part

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)


class Rolling(Part):
    """A counter incremented with each message, back to 0 after its last value."""

    signal: str
    modulo: Annotated[int, Field(ge=2)] | None = None  # default: all values of its bits


class MessageCheck(Checksum):
    """The checksum of a message and the signal that carries it.

    ``first_identifier_bytes``: the identifier's low bytes go into the checksum before the data
    (0, 1 or 2 of them, most significant first).
    """

    signal: str
    first_identifier_bytes: Annotated[int, Field(ge=0, le=4)] = 0


class CanMessage(Part):
    """One message. ``values``: constants put into every one sent, in the board's own units."""

    id: Annotated[int, Field(ge=0, le=0x1FFFFFFF)]
    extended: bool = False
    length: Annotated[int, Field(ge=0, le=64)] = 8
    fd: bool = False
    every: Annotated[Duration, Field(gt=0, le=60)] | None = None  # how often it is sent
    signals: dict[str, Signal] = {}
    multiplexer: str | None = None
    counter: Rolling | None = None
    checksum: MessageCheck | None = None
    values: dict[str, float] = {}

    @model_validator(mode="after")
    def _sound(self) -> CanMessage:
        if not self.extended and self.id > 0x7FF:
            raise ValueError(f"id {self.id:#x} needs 29 bits; set 'extended: true', or correct it")
        if self.length not in FD_LENGTHS or (self.length > 8 and not self.fd):
            raise ValueError(
                f"length {self.length} is impossible; classic CAN carries 0 to 8 bytes, CAN FD "
                "(write 'fd: true') also 12, 16, 20, 24, 32, 48 or 64"
            )
        found = [*problems(self.signals, self.length, self.multiplexer), *carriers(self)]
        if found:
            raise ValueError(found[0])
        return self


def carriers(message: CanMessage) -> Iterator[str]:
    """Yield the problems of the signals that carry counter, checksum and constants."""
    signals = message.signals
    for key in ("counter", "checksum"):
        part = getattr(message, key)
        if part is None:
            continue
        if part.signal not in signals:
            yield f"{key}.signal: no signal '{part.signal}'{nearest(part.signal, signals)}"
        elif signals[part.signal].when or signals[part.signal].floating:
            yield (
                f"{key}.signal: '{part.signal}' must be an integer that is always present; name "
                "another"
            )
    counter = message.counter
    if counter is not None and counter.modulo and counter.signal in signals:
        bits = signals[counter.signal].bits
        if counter.modulo > 1 << bits:
            yield (
                f"counter.modulo: {counter.modulo} values do not fit into the {bits} bits of "
                f"'{counter.signal}'; write {1 << bits} at most, or leave it out"
            )
    for name, value in message.values.items():
        if name not in signals:
            yield f"values: no signal '{name}'{nearest(name, signals)}"
        else:
            yield from out_of_range(f"values.{name}", name, signals[name], value)
    check = message.checksum
    if check is None or check.signal not in signals:
        return
    carrier = signals[check.signal]
    if carrier.bits != check.width or carrier.positions()[0] % 8:
        yield (
            f"checksum.signal: '{check.signal}' has {carrier.bits} bits; name one of whole bytes "
            f"with the {check.width} bits of the checksum, or correct width"
        )
    first, last = (end + message.length if end < 0 else end for end in check.covers)
    if not 0 <= first <= last < message.length:
        yield (
            f"checksum.covers: it names bytes outside the message of {message.length}; "
            f"write 0 to {message.length - 1}, or -1 for the last"
        )


def reach(signal: Signal) -> tuple[float, float]:
    """Return the smallest and largest value that the bits can hold, in the board's own units."""
    if signal.floating:
        return -math.inf, math.inf
    ends = [raw * signal.scale + signal.offset for raw in signal.raw_range()]
    return min(ends), max(ends)


def out_of_range(place: str, name: str, signal: Signal, value: float) -> Iterator[str]:
    """Yield a problem for a constant that its bits cannot hold: it would be clamped."""
    low, high = reach(signal)
    margin = 0.5 * abs(signal.scale)
    if not low - margin <= value <= high + margin:
        yield f"{place}: {value:g} does not fit '{name}'; write {low:g} to {high:g}"
