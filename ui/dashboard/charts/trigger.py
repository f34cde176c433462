"""A trigger: where short windows of the charts begin. No Qt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ui.dashboard.bench import TRACE_INDEX, TraceBuffer

PRE_SHARE = 0.2  # of the window, before the crossing; common practice, no source
AUTO_S = 1.0  # without a crossing, after which the picture runs free again
LONGEST_WINDOW_S = 1.0  # a still picture for longer would hide incoming data


@dataclass(frozen=True)
class Trigger:
    """A trace that crosses a level, SI.

    Attributes:
        column: column of the trace buffer.
        rising: True for a crossing upwards, False for one downwards.
    """

    column: str
    level: float
    rising: bool = True

    def end_s(self, buffer: TraceBuffer, window_s: float) -> float | None:
        """Return the right edge of the latest whole window that begins with a crossing, or None.

        The crossing is ``PRE_SHARE`` of the window after its left edge.
        """
        newest = buffer.end_s
        after = (1.0 - PRE_SHARE) * window_s
        seen = buffer.window(newest - after - AUTO_S, newest - after, buffer.capacity)
        values = seen.low[TRACE_INDEX[self.column]]
        above = values >= self.level if self.rising else values <= self.level
        whole = np.isfinite(values)
        crossed = above[1:] & ~above[:-1] & whole[1:] & whole[:-1]
        found = np.flatnonzero(crossed)
        found = found[seen.times[found + 1] + after <= newest]
        return float(seen.times[found[-1] + 1]) + after if len(found) else None
