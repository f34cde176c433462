"""The seconds around a trip: the latest samples are kept in memory until needed."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.core import INDEX
from hil.recorder.kept_seconds import KeptSeconds

BEFORE_S = 10.0
AFTER_S = 2.0
_TIME = INDEX["time_s"]

Rows = NDArray[np.float64]


class Recent:
    """Rows and events of the last ``BEFORE_S`` seconds.

    Args:
        kept: where they are kept as well, for the recorder that follows; None for nowhere.
    """

    def __init__(self, kept: KeptSeconds | None = None) -> None:
        self._kept = kept
        self._rows: deque[Rows] = deque()
        self._events: deque[dict[str, Any]] = deque()

    def take_rows(self, rows: Rows) -> None:
        """Add rows, shape (n, number of columns); drop old ones."""
        if not len(rows):
            return
        self._rows.append(rows)
        if self._kept is not None:
            self._kept.rows(rows)
        oldest_s = float(rows[-1, _TIME]) - BEFORE_S
        while self._rows and self._rows[0][-1, _TIME] < oldest_s:
            self._rows.popleft()
        while self._events and self._events[0].get("time_s", 0.0) < oldest_s:
            self._events.popleft()

    def take_event(self, event: dict[str, Any]) -> None:
        self._events.append(event)
        if self._kept is not None:
            self._kept.event(event)

    def restore(self, rows: Rows, events: Iterable[dict[str, Any]]) -> None:
        """Take what a recorder that died had kept."""
        self.take_rows(rows)
        for event in events:
            self.take_event(event)

    def before(self, time_s: float) -> tuple[list[Rows], list[dict[str, Any]]]:
        """Return rows and events since ``BEFORE_S`` before ``time_s``."""
        since_s = time_s - BEFORE_S
        rows = [part for block in self._rows if len(part := block[block[:, _TIME] >= since_s])]
        return rows, [event for event in self._events if event.get("time_s", 0.0) >= since_s]

    def latest(self) -> NDArray[np.float64] | None:
        """Return the latest row, shape (number of columns,); None if there is none."""
        return self._rows[-1][-1] if self._rows else None

    def begin(self, description: Mapping[str, Any]) -> None:
        """Forget everything; what comes is of the rig host of this description."""
        self._rows.clear()
        self._events.clear()
        if self._kept is not None:
            self._kept.begin(description)
