"""Lateness of the host's wake-up, of the device's sampling, and of its answer.

A :class:`Lateness` declares it by distributions or by the timing columns of a recorded run;
:class:`Delays` draws from it, cycle by cycle, reproducibly for a seed.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import NamedTuple

MISSED_PERIODS = 0.5  # a sample older than its answer by more is from an earlier cycle


class Delay(NamedTuple):
    """Consecutive delays of one cycle, in s; ``missed``: no new sample arrived.

    ``wake_s`` passes before the host wakes and requests a sample, ``device_s`` until the device
    takes it, ``answer_s`` until the host has received it.
    """

    wake_s: float = 0.0
    device_s: float = 0.0
    answer_s: float = 0.0
    missed: bool = False


PROMPT = Delay()


@dataclass(frozen=True)
class Lateness:
    """Distribution of late cycles: how many, by how much, and where.

    Attributes:
        share: share of randomly late cycles, 0 to 1.
        up_to_s: their longest delay; uniform from 0.
        pause_s: length of a regular pause.
        pause_every_s: time from one pause to the next; 0 for none.
        stale_share: share of delays between sampling and use: the sample is from before the delay.
        device_share: share of delays between request and sampling: the time of sampling is unknown.
        recorded: (wake latency, answer, sample's age) in s of each cycle of a recorded run,
            repeated indefinitely; see :meth:`from_columns`.
        pause_first_s: time until the first pause; None draws it.

    In all other delays the host wakes late, and the sample is fresh.

    Raises:
        ValueError: a value is out of its range.
    """

    share: float = 0.0
    up_to_s: float = 0.0
    pause_s: float = 0.0
    pause_every_s: float = 0.0
    stale_share: float = 0.5
    device_share: float = 0.0
    recorded: tuple[tuple[float, float, float], ...] = ()
    pause_first_s: float | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            if field.name in ("recorded", "pause_first_s"):
                continue
            value = getattr(self, field.name)
            most = 1.0 if field.name.endswith("share") else math.inf
            if not 0.0 <= value <= most or value == math.inf:
                span = "between 0 and 1" if most == 1.0 else "finite and not below 0"
                raise ValueError(f"{field.name} = {value}: must be {span}")
        if self.stale_share + self.device_share > 1.0:
            raise ValueError(
                f"stale_share + device_share = {self.stale_share + self.device_share:g}: "
                "must be 1 at most"
            )
        if self.pause_s > 0.0 and self.pause_every_s <= self.pause_s:
            raise ValueError(
                f"pause_every_s = {self.pause_every_s}: must be longer than pause_s = {self.pause_s}"
            )

    @classmethod
    def from_columns(
        cls,
        wake_latency_s: Sequence[float],
        answer_s: Sequence[float],
        telemetry_age_s: Sequence[float],
    ) -> Lateness:
        """Take the timing of a recorded run, from the columns of these names.

        Raises:
            ValueError: columns of different length, empty, or values that are not finite.
        """
        columns = [
            [float(value) for value in c] for c in (wake_latency_s, answer_s, telemetry_age_s)
        ]
        lengths = sorted({len(column) for column in columns})
        if len(lengths) > 1 or not lengths[0]:
            raise ValueError(f"columns of {lengths} rows: all need the same number, at least 1")
        if not all(math.isfinite(value) for column in columns for value in column):
            raise ValueError("the timing columns contain a value that is not finite")
        rows = [tuple(max(value, 0.0) for value in row) for row in zip(*columns, strict=True)]
        return cls(recorded=tuple(rows))


class Delays:
    """The delays of one session.

    Args:
        lateness: what they are drawn from.
        period_s: cycle period.
        seed: seed of the draw.
        from_s: session time from which pauses are counted.
    """

    def __init__(
        self, lateness: Lateness, period_s: float, seed: int = 1, from_s: float = 0.0
    ) -> None:
        self.lateness = lateness
        self._period = period_s
        self._luck = random.Random(f"late {seed}")
        self._pause_at_s = math.inf
        if lateness.pause_s > 0.0:
            first = lateness.pause_first_s
            drawn = self._luck.random() * lateness.pause_every_s
            self._pause_at_s = from_s + (drawn if first is None else first)
        self._row = 0

    def at(self, due_s: float) -> Delay:
        """Draw the delays of the cycle due at ``due_s``."""
        lateness = self.lateness
        if lateness.recorded:
            row = lateness.recorded[self._row % len(lateness.recorded)]
            self._row += 1
            wake, answer, age = row
            return Delay(wake, 0.0, answer, age > answer + MISSED_PERIODS * self._period)
        late = 0.0
        if lateness.share > 0.0 and self._luck.random() < lateness.share:
            late = self._luck.uniform(0.0, lateness.up_to_s)
        if due_s >= self._pause_at_s:
            late += lateness.pause_s
            while self._pause_at_s <= due_s:
                self._pause_at_s += lateness.pause_every_s
        if late <= 0.0:
            return PROMPT
        where = self._luck.random()
        if where < lateness.stale_share:
            return Delay(answer_s=late)
        if where < lateness.stale_share + lateness.device_share:
            return Delay(device_s=late)
        return Delay(wake_s=late)
