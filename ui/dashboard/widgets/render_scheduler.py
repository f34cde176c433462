"""Drawing in slices between keys and heartbeats: neither waits for late drawing, which is skipped.

The heartbeat shows that the operator at this window can stop the rig, so it comes from the loop that
takes the keys. Whatever else that loop does must therefore be short: a slice is one small part
of a frame, and the loop looks for keys after each. A turn, from heartbeat to heartbeat, does slices
only until its budget is spent.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable

Slice = Callable[[], object]
Slices = Callable[[], Iterable[Slice]]


class RenderScheduler:
    """Slices of drawing work, done one at a time.

    Args:
        budget_s: time in slices after which no further one begins in a turn; at least one runs.
        clock: clock in seconds.
    """

    def __init__(self, budget_s: float, clock: Callable[[], float] = time.perf_counter) -> None:
        self.budget_s = budget_s
        self._clock = clock
        self._rhythms: list[_Rhythm] = []
        self._next = 0
        self._spent_s = 0.0

    def add(self, period_s: float, slices: Slices) -> None:
        """Do ``slices()`` once per ``period_s``, or less often if time is short."""
        self._rhythms.append(_Rhythm(period_s, slices))

    def forget(self) -> None:
        """Drop what still waits: the widgets it would draw no longer exist."""
        for rhythm in self._rhythms:
            rhythm.waiting.clear()

    def begin_turn(self) -> bool:
        """Queue the slices that are due and renew the budget; return whether any slice waits."""
        now_s = self._clock()
        self._spent_s = 0.0
        for rhythm in self._rhythms:
            rhythm.begin_if_due(now_s)
        return self.waiting

    @property
    def waiting(self) -> bool:
        """True if any slice waits, in this turn or a later one."""
        return any(rhythm.waiting for rhythm in self._rhythms)

    def step(self) -> bool:
        """Do one slice; return whether another one may follow in this turn. Rhythms alternate."""
        for _ in self._rhythms:
            rhythm = self._rhythms[self._next]
            self._next = (self._next + 1) % len(self._rhythms)
            if rhythm.waiting:
                began_s = self._clock()
                try:
                    rhythm.waiting.popleft()()
                finally:
                    self._spent_s += self._clock() - began_s
                return self.waiting and self._spent_s < self.budget_s
        return False


class _Rhythm:
    def __init__(self, period_s: float, slices: Slices) -> None:
        self.period_s = period_s
        self.waiting: deque[Slice] = deque()
        self._slices = slices
        self._due_s = 0.0

    def begin_if_due(self, now_s: float) -> None:
        # An unfinished frame is finished first; the frames it held up are skipped.
        if not self.waiting and now_s >= self._due_s:
            self._due_s = now_s + self.period_s
            self.waiting.extend(self._slices())
