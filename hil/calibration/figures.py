"""Figures of merit of a force-verifying instrument, by the definitions of ISO 376.

All errors are relative, in per cent of the reading at that load (taken from the zero reading of
its series), as the standard gives them. Readings need series; a series of falling loads belongs
to the rising one with the same number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from hil.calibration.fit_models import Fit
from hil.calibration.points import Points

Array = NDArray[np.float64]


@dataclass(frozen=True)
class AtLoad:
    """Relative errors in % at one load; NaN where the series do not determine them.

    Attributes:
        repeatability: b′, spread of rising series without re-mounting.
        reproducibility: b, spread of rising series over all mountings.
        reversibility: ν, mean of |falling − rising|.
        interpolation: f_c, mean rising reading against the law.
    """

    load: float
    repeatability: float
    reproducibility: float
    reversibility: float
    interpolation: float


@dataclass(frozen=True)
class Merit:
    """Figures at all loads, and those of the whole instrument.

    Attributes:
        zero: f₀, greatest relative zero error in %, return to no load against the largest reading.
        resolution: r, one count of the reading, in units of load near zero.
        notes: figures that could not be determined, and what they need.
    """

    at: tuple[AtLoad, ...]
    zero: float
    resolution: float
    notes: tuple[str, ...] = field(default=())

    def worst(self, name: str) -> float:
        """Return the largest value of one error, except at loads below a tenth; NaN if none."""
        most = max((abs(entry.load) for entry in self.at), default=0.0)
        values = [getattr(entry, name) for entry in self.at if abs(entry.load) >= 0.1 * most]
        found = [value for value in values if math.isfinite(value)]
        return max(found, default=math.nan)


def merit(
    points: Points,
    fit: Fit,
    mounting: NDArray[np.int64] | None = None,
    same_load: float = 0.01,
    count: float = 1.0,
) -> Merit:
    """Return the figures of merit of a calibration with series of rising and falling loads.

    Args:
        mounting: shape (n,), number of the mounting each point belongs to; None: all one.
        same_load: loads within this share of the largest count as one step of the calibration.
        count: smallest change that the indicator shows, in units of the reading.
    """
    load, reading = points.load, points.reading
    series = points.series if points.series is not None else np.ones(load.size, dtype=np.int64)
    sense = points.direction if points.direction is not None else np.ones(load.size, dtype=int)
    mounts = mounting if mounting is not None else np.ones(load.size, dtype=np.int64)
    span = float(np.abs(load).max())
    zeros, returns = _zeros(load, reading, series, sense, span, same_load)
    reduced = reading - np.array([zeros[number] for number in series.tolist()])
    fitted_zero = fit.reading(0.0)
    entries = []
    for step in _steps(load, span, same_load):
        nominal = float(load[step].mean())
        # Small differences of load within a step are not errors of the instrument.
        moved = reduced[step] - np.array([fit.reading(x) for x in load[step]])
        moved = moved + fit.reading(nominal)
        rising = sense[step] >= 0
        if abs(nominal) <= same_load * span or not rising.any():
            continue
        up, own, kind = moved[rising], series[step][rising], mounts[step][rising]
        mean = float(up.mean())
        first = up[kind == kind.min()]
        gaps = []
        for value, number in zip(moved[~rising], series[step][~rising], strict=True):
            partner = up[own == number]
            if partner.size:
                gaps.append(abs(float(value) - float(partner.mean())))
        expected = fit.reading(nominal) - fitted_zero
        entries.append(
            AtLoad(
                nominal,
                _percent(float(np.ptp(first)), mean) if first.size > 1 else math.nan,
                _percent(float(np.ptp(up)), mean) if np.unique(kind).size > 1 else math.nan,
                _percent(float(np.mean(gaps)), mean) if gaps else math.nan,
                _percent(mean - expected, expected),
            )
        )
    notes = []
    if np.unique(series).size < 2:
        notes.append("one series only: repeatability needs two or more")
    if np.unique(mounts).size < 2:
        notes.append("one mounting only: reproducibility needs the load taken off and put on again")
    if not (sense < 0).any():
        notes.append("rising loads only: reversibility needs falling ones as well")
    largest = float(np.abs(reduced).max())
    return Merit(
        tuple(entries),
        max((_percent(gap, largest) for gap in returns), default=math.nan),
        count / abs(fit.slope(0.0)),
        tuple(notes),
    )


def _steps(load: Array, span: float, same_load: float) -> list[NDArray[np.intp]]:
    """Return the indices of the points of each load step, by rising load."""
    order = np.argsort(load, kind="stable")
    breaks = np.flatnonzero(np.diff(load[order]) > same_load * span) + 1
    return list(np.split(order, breaks))


def _zeros(
    load: Array,
    reading: Array,
    series: NDArray[np.int64],
    sense: NDArray[np.int64],
    span: float,
    same_load: float,
) -> tuple[dict[int, float], list[float]]:
    """Return the zero reading of each series (its first, rising) and the errors on return to zero."""
    at_zero = np.abs(load) <= same_load * span
    everywhere = float(reading[at_zero].mean()) if at_zero.any() else 0.0
    zeros: dict[int, float] = {}
    returns = []
    for number in np.unique(series).tolist():
        mine = at_zero & (series == number)
        before, after = reading[mine & (sense >= 0)], reading[mine & (sense < 0)]
        zeros[number] = float(before[0]) if before.size else everywhere
        if before.size and after.size:
            returns.append(abs(float(after[-1]) - float(before[0])))
    return zeros, returns


def _percent(part: float, whole: float) -> float:
    return 100.0 * abs(part) / abs(whole) if whole else math.nan
