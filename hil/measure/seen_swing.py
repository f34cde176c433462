"""Swing of a weight on the springs, the screw held, as a recorded window shows it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.characteristic import Floats, RecordedRun, Window, cut


@dataclass(frozen=True, eq=False)
class SeenSwing:
    """Force of the springs in one window: rest before, highest, lowest after it, settled."""

    time_s: Floats
    force_N: Floats
    deflection_m: Floats
    begin: int
    rest_N: float
    peak_N: float
    trough_N: float
    settled_N: float
    spread_N: float
    period_s: float

    def taken_J(self) -> tuple[float, float]:
        """Return the springs' energy from rest to the peak, and that beyond the force at rest after it.

        Along the recorded path: the inverse of the law would take its bend for a deflection.
        """
        path = slice(0, int(np.argmax(self.force_N)) + 1)
        force, d = self.force_N[path], self.deflection_m[path]
        taken = float(np.trapezoid(force, d))
        return taken, taken - self.settled_N * float(d[-1] - d[0])

    @property
    def rebound(self) -> float:
        return (self.settled_N - self.trough_N) / (self.peak_N - self.settled_N)


def seen_swing(run: RecordedRun, part: Window) -> SeenSwing:
    """Return what a recorded window shows of a swing."""
    time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
    deflection = cut(run, part, "deflection_m")
    moving = np.nonzero(np.abs(force - force[0]) > 0.05 * np.ptp(force))[0]
    begin = int(moving[0])
    rest = float(np.median(force[: max(begin - 5, 1)]))
    # A parabola through the top removes the noise of the highest sample.
    top = int(np.argmax(force))
    near = slice(max(0, top - 12), top + 13)
    a, b, c = np.polyfit(time_s[near] - time_s[top], force[near], 2)
    peak = float(c - b * b / (4 * a))
    spread = float(np.std(force[near] - np.polyval((a, b, c), time_s[near] - time_s[top])))
    settled = float(np.mean(force[-500:]))
    trough = float(np.min(force[top:]))
    up = np.nonzero((force[begin:-1] < settled) & (force[begin + 1 :] >= settled))[0]
    period = float(np.mean(np.diff(time_s[begin + up[:4]]))) if len(up) > 2 else math.nan
    return SeenSwing(time_s, force, deflection, begin, rest, peak, trough, settled, spread, period)
