"""Pace of the rig host: when each cycle is due, and what came late."""

from __future__ import annotations

import time
from typing import Final

# Looked up once: they are called in each cycle.
_monotonic: Final = time.monotonic
_sleep: Final = time.sleep


class Pace:
    """Due times of cycles; all times are those of ``time.monotonic()``.

    Attributes:
        began_s: beginning of the run; the first cycle is due a period later.
        due_s, woke_s: due time and wake-up of the present cycle. last_s: wake-up of the previous one.
        work_s: duration of the previous cycle, wake-up to end.
        late_cycles: cycles whose command left after the next was due.
        skipped_periods: periods without a cycle.
    """

    def __init__(self, period_s: float) -> None:
        self.period_s = period_s
        self.work_s = 0.0
        self.late_cycles = self.skipped_periods = 0
        self.begin()

    def begin(self) -> None:
        """Count from now on."""
        self.began_s = self.last_s = self.woke_s = _monotonic()
        self.due_s = self.began_s + self.period_s

    def wake(self) -> int:
        """Sleep until the cycle is due; return the whole periods since the last wake-up."""
        left = self.due_s - _monotonic()
        if left > 0.0:
            _sleep(left)  # as ``sleep_until`` does
        before_s = self.woke_s
        self.last_s = before_s
        self.woke_s = woke_s = _monotonic()
        periods = (woke_s - before_s) / self.period_s
        return round(periods) if periods >= 1.5 else 1

    @property
    def overslept_s(self) -> float:
        """Time beyond a period between the last two wake-ups."""
        return self.woke_s - self.last_s - self.period_s

    def end(self, written_s: float) -> None:
        """End the cycle whose command left at ``written_s``."""
        done_s, period = _monotonic(), self.period_s
        self.work_s = done_s - self.woke_s
        if written_s - self.due_s > period:
            self.late_cycles += 1
        self.due_s += period
        if done_s > self.due_s + period:
            # Missed periods cannot be made up; sending a burst would be worse.
            behind = int((done_s - self.due_s) / period)
            self.skipped_periods += behind
            self.due_s += behind * period
