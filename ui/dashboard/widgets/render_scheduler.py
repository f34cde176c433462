"""Drawing in slices between heartbeats: what is late is left out, the heartbeat never waits for it.

The heartbeat verifies that somebody at this window can stop the rig, so it comes from the loop that
takes the keys. Whatever else that loop does must therefore be short: a slice is one small part
of a frame, and each turn does slices only until its budget is spent.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable

Slice = Callable[[], object]
Slices = Callable[[], Iterable[Slice]]


class RenderScheduler:
    """Takes turns at whatever is to be drawn.

    Args:
        budget_s: after which no further slice is begun in one turn; one always is.
        clock: in seconds.
    """

    def __init__(self, budget_s: float, clock: Callable[[], float] = time.perf_counter) -> None:
        self.budget_s = budget_s
        self._clock = clock
        self._rhythms: list[_Rhythm] = []
        self._next = 0

    def add(self, period_s: float, slices: Slices) -> None:
        """Do ``slices()`` once in ``period_s``, or as often as there is time."""
        self._rhythms.append(_Rhythm(period_s, slices))

    def forget(self) -> None:
        """Leave out what still waits: the widgets that it would draw are gone."""
        for rhythm in self._rhythms:
            rhythm.waiting.clear()

    def turn(self) -> None:
        """Do the slices that are due, as far as the budget goes; rhythms take turns."""
        began_s = self._clock()
        for rhythm in self._rhythms:
            rhythm.begin_if_due(began_s)
        idle = 0
        while idle < len(self._rhythms):
            rhythm = self._rhythms[self._next]
            self._next = (self._next + 1) % len(self._rhythms)
            if not rhythm.waiting:
                idle += 1
                continue
            idle = 0
            rhythm.waiting.popleft()()
            if self._clock() - began_s >= self.budget_s:
                return


class _Rhythm:
    def __init__(self, period_s: float, slices: Slices) -> None:
        self.period_s = period_s
        self.waiting: deque[Slice] = deque()
        self._slices = slices
        self._due_s = 0.0

    def begin_if_due(self, now_s: float) -> None:
        # A frame that is not finished is finished first; those it held up are left out.
        if not self.waiting and now_s >= self._due_s:
            self._due_s = now_s + self.period_s
            self.waiting.extend(self._slices())
