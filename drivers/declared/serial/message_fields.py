"""Conversion of the numbers in a message of a serial board to samples."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.declared.common import Counters, DeviceClock, Sample
from drivers.declared.serial.options import FieldCounter, SerialOptions
from drivers.transport import Scaling

Target = tuple[int, Sample, float, float]  # place, and scale and offset with the sign


class MessageFields:
    """Reader of one kind of message: its counter, its clock, then its fields."""

    def __init__(
        self,
        names: Sequence[str],
        counters: Counters,
        counter: FieldCounter | None = None,
        clock: tuple[str, DeviceClock] | None = None,
    ) -> None:
        self._names = list(names)
        self._counters = counters
        self._targets: list[Target] = []
        self._count_at = self._names.index(counter.field) if counter else -1
        self._modulo = counter.modulo if counter else 1
        self._last: int | None = None
        self._clock_at = self._names.index(clock[0]) if clock else -1
        self._clock = clock[1] if clock else None
        self.receptions = Sample()  # counts receptions

    def add(self, name: str, sample: Sample, scaling: Scaling | None = None) -> None:
        """Store the field ``name`` in ``sample``, scaled, or in the board's own units."""
        s = scaling or Scaling()
        self._targets.append((self._names.index(name), sample, s.sign * s.scale, s.sign * s.offset))

    def take(self, values: Sequence[float], now_s: float) -> bool:
        """Store the values; return whether the message was new."""
        counters = self._counters
        if self._count_at >= 0:
            count = int(values[self._count_at]) % self._modulo
            last, self._last = self._last, count
            if count == last:
                # The sender repeats a message: its values are as old as the first time.
                counters.repeated += 1
                return False
            if last is not None and count != (last + 1) % self._modulo:
                counters.counter_gaps += 1
        measured_s = now_s
        if self._clock is not None:
            measured_s = self._clock.measured_s(int(values[self._clock_at]), now_s)
        for at, sample, scale, offset in self._targets:
            sample.value = values[at] * scale + offset
            sample.time_s = measured_s
            sample.number += 1
        counters.received += 1
        self.receptions.take(1.0, now_s)
        return True


def build_fields(
    options: SerialOptions, counters: Counters, rolling: dict[str, FieldCounter | None]
) -> tuple[dict[str, MessageFields], dict[str, Sample], dict[str, Sample]]:
    """Return (readers of the messages, samples of quantities, samples used by dialogues)."""
    received = options.received()
    clock = options.clock
    fields: dict[str, MessageFields] = {}
    for name in options.used:
        stamped = None
        if clock is not None and clock.source.partition(".")[0] == name:
            stamped = (clock.source.partition(".")[2], DeviceClock(clock.tick, clock.modulo))
        fields[name] = MessageFields(received[name], counters, rolling.get(name), stamped)
    values: dict[str, Sample] = {}
    for quantity, given in options.gives.items():
        message, _, field = given.source.partition(".")
        sample = values[str(quantity)] = Sample()
        fields[message].add(field, sample, given)
    watched: dict[str, Sample] = {}
    for _, steps in options.sequences:
        for step in steps:
            for name in step.expect:
                message, dot, field = name.partition(".")
                if name in watched or name in ("energised", "fault"):
                    continue
                if dot:
                    watched[name] = Sample()
                    fields[message].add(field, watched[name])
                else:
                    watched[name] = fields[message].receptions
    return fields, values, watched
