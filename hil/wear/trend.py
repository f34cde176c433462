"""Trends: a two-sided cumulative sum, and the date of what it finds.

Tabular cumulative sum with reference value and decision interval in standard deviations, as in
ISO 7870-4 (from memory), around the mean of a baseline. The date is that of the best broken line
or step through all values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Mean and standard deviation come from the baseline, so they are off themselves. Of 400 sequences of
# 1000 normal values each, 3 raised an alarm with 30, 1.25, 8 and 14 with 20, 1, 8; a drift of 0.2 standard
# deviations a value was found after 14 values on average (measured here).
BASELINE = 30
REFERENCE = 1.25
INTERVAL = 10.0
LEAST_SHARE = 0.001  # of the mean: a smaller standard deviation is not credible


@dataclass(frozen=True)
class Change:
    """A change that was found.

    Attributes:
        name: name of the sign.
        found_at: count, or time, of the value that raised the alarm.
        onset: where it began, by the best fit; onset_low, onset_high: where it may have begun.
        kind: ``drift`` or ``step``.
        before, now: value at the baseline and by the fit at the end.
    """

    name: str
    found_at: float
    onset: float
    onset_low: float
    onset_high: float
    kind: str
    before: float
    now: float


class Trend:
    """Cumulative sums of one sign.

    Attributes:
        at, values: the added points.
        change: found, or None.
    """

    def __init__(self, name: str, baseline: int = BASELINE, least_sd: float = 0.0) -> None:
        self.name = name
        self.at: list[float] = []
        self.values: list[float] = []
        self.change: Change | None = None
        self._baseline, self._least = baseline, least_sd
        self._mean = self._sd = math.nan
        self._up = self._down = 0.0

    @property
    def limits(self) -> tuple[float, float]:
        """Mean and standard deviation of the baseline; NaN while it is not complete."""
        return self._mean, self._sd

    def add(self, at: float, value: float) -> Change | None:
        """Add a value; return the change that it shows, once.

        A value that is not a number is ignored.
        """
        if not math.isfinite(value):
            return None
        self.at.append(at)
        self.values.append(value)
        count = len(self.values)
        if count == self._baseline:
            self._mean = float(np.mean(self.values))
            spread = float(np.std(self.values, ddof=1))
            self._sd = max(spread, LEAST_SHARE * abs(self._mean), self._least, 1e-12)
        if count <= self._baseline:
            return None
        off = (value - self._mean) / self._sd
        self._up = max(0.0, self._up + off - REFERENCE)
        self._down = max(0.0, self._down - off - REFERENCE)
        if self.change is not None or max(self._up, self._down) <= INTERVAL:
            return None
        self.change = self.dated(at)
        return self.change

    def dated(self, found_at: float) -> Change:
        """Return the change that the values so far show, with the date of its onset."""
        return date_change(self.name, self.at, self.values, found_at)


def date_change(name: str, at: Sequence[float], values: Sequence[float], found_at: float) -> Change:
    """Date a change by least squares: y = a + b·max(0, t − t₀), or y = a + b·(t ≥ t₀).

    The range of the onset is that of all t₀ whose sum of squares is within the F limit of one
    parameter (95 %, about 4 of the residual variance).
    """
    t, y = np.asarray(at, dtype=float), np.asarray(values, dtype=float)
    middle = 0.5 * (t[1:] + t[:-1])
    candidates = np.sort(np.concatenate([t[:-1], middle]))
    fits = [(_fit(np.maximum(0.0, t - t0), y), t0, "drift") for t0 in candidates]
    fits += [(_fit((t >= t0).astype(float), y), t0, "step") for t0 in middle]
    best = min(fits, key=lambda fit: fit[0][0])
    (rest, before, size, last), onset, kind = best
    limit = rest * (1.0 + 4.0 / max(len(y) - 3, 1)) + 1e-30
    near = [t0 for (r, *_), t0, k in fits if k == kind and r <= limit]
    return Change(
        name,
        found_at,
        float(onset),
        float(min(near)),
        float(max(near)),
        kind,
        before,
        before + size * last,
    )


def _fit(shape: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Return sum of squares, constant, slope, and the shape's last value."""
    x = shape - shape.mean()
    square = float(x @ x)
    slope = float(x @ y) / square if square > 0.0 else 0.0
    constant = float(y.mean() - slope * shape.mean())
    rest = y - constant - slope * shape
    return float(rest @ rest), constant, slope, float(shape[-1])
