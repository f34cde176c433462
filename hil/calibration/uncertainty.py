"""Uncertainty budget of a force read by a fitted law (JCGM 100:2008), its coverage by JCGM 101.

Errors common to all loads (arms, gravity, own weight) do not average out over points: each such
input is moved by one standard uncertainty for all points together, the law is fitted again, and the
change of the force reading is its share (JCGM 100:2008, 5.1.3 note 1 and 5.2.2). Differences of
readings at the same force are taken from the residuals: friction of pivot and springs as their
scatter, hysteresis as a uniform distribution over its range (JCGM 100:2008, F.2.2.2), which is not
a bell curve. The half width that contains 95 of 100 is therefore found from random draws of the
whole budget (JCGM 101:2008, 7.7), and half of it is stated as u.

The law's own share comes from fitting it again to redrawn readings (JCGM 101:2008, 5.9): the
covariance of one fit would treat the readings as independent, but the same load brought to the same
position from the same side repeats its hysteresis, and the scatter grows with the load; and a
linearised knee cannot represent loads that may lie on either side of it.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from hil.calibration.fit_models import Fit, FitError, fit_law
from hil.calibration.loads import INPUTS
from hil.calibration.points import Points
from hil.calibration.result import Array, Budget, CalibrationPoint, unloaded

NODES = 12  # rows of the table on either side of zero
DRAWS = 40_000
REFITS = 300  # give a standard deviation to 4 %
COVERAGE = 0.95
HYSTERESIS = "hysteresis"
LEAST_COUNT_U = 1.0 / math.sqrt(12.0)  # rectangular over one count (JCGM 100, F.2.2.1)
# Loads in one direction say of the other only that both spring sets have one drawing: their rates
# agree to this share (standard uncertainty; common practice, no source).
OTHER_SENSE = 0.01
NEAR_END = 1.01  # times the largest load in a direction: still calibrated there
LIGHT = 0.25  # of the largest load: scatter below it is not hysteresis


def table_of(points: Sequence[CalibrationPoint]) -> Points:
    """Return loads and readings of all points except outliers, with series and direction."""
    used = [point for point in points if not point.outlier]
    return Points(
        np.array([p.load_N for p in used]),
        np.array([p.reading_counts for p in used]),
        load_unit="N",
        reading_unit="counts",
        series=np.array([p.series for p in used], dtype=np.int64),
        direction=np.array([p.direction for p in used], dtype=np.int64),
    )


def common_parts(points: Sequence[CalibrationPoint], fit: Fit, forces: Array) -> dict[str, Array]:
    """Return the change of the force reading at ``forces`` per input moved by its uncertainty.

    If an input's moved points can no longer be fitted (rare), the part of the nearest load is used
    instead.
    """
    used = [point for point in points if not point.outlier]
    table = table_of(points)
    readings = fit.readings(forces)
    shares: dict[str, Array] = {}
    for name in INPUTS:
        parts = np.array([point.parts.get(name, 0.0) for point in used])
        if not np.any(parts):
            continue
        try:
            moved = fit_law(replace(table, load=table.load + parts), fit.law)
            shares[name] = _loads_near(moved, readings, forces) - forces
        except FitError:
            order = np.argsort(table.load)
            shares[name] = np.interp(forces, table.load[order], parts[order])
    return shares


def _loads_near(fit: Fit, readings: Array, loads: Array) -> Array:
    for _ in range(6):  # Newton; straight pieces end exactly
        loads = loads + (readings - fit.readings(loads)) / fit.slopes(loads)
    return loads


def scatter_law(points: Sequence[CalibrationPoint], fit: Fit) -> tuple[float, float]:
    """Return (constant in N, hysteresis per force) of the scatter of readings.

    The constant is the standard deviation at light loads, where hysteresis, which grows with the
    force, hardly shows. Hysteresis is half the range of the rest, divided by the force, at all
    heavier loads: a load that swings before it rests loses a random part of it, so only the range
    shows its size. Residuals are converted to force by the slope there.
    """
    used = [point for point in points if not point.outlier]
    load = np.array([point.load_N for point in used])
    errors = -fit.residuals / fit.slopes(load)
    light = np.abs(load) < LIGHT * np.abs(load).max()
    freed = errors.size / max(1, fit.degrees_of_freedom)
    squares = errors[light] ** 2 if light.any() else np.zeros(1)
    constant = math.sqrt(float(squares.mean()) * freed)
    heavy = errors[~light]
    beside = np.sign(heavy) * np.sqrt(np.maximum(heavy**2 - constant**2, 0.0))
    return constant, float(np.ptp(beside / np.abs(load[~light]))) / 2.0


def refits(points: Sequence[CalibrationPoint], fit: Fit, seed: int = 1) -> tuple[Fit, ...]:
    """Return fits of the same law to readings redrawn from it with the measured scatter.

    One draw acts on all points with the same load, position and approach.

    Raises:
        FitError: most redrawn readings do not determine the law.
    """
    used = [point for point in points if not point.outlier]
    table = table_of(points)
    constant, hysteresis = scatter_law(points, fit)
    names = sorted({_condition(point) for point in used})
    which = np.array([names.index(_condition(point)) for point in used])
    slopes, law = fit.slopes(table.load), fit.readings(table.load)
    chance = np.random.default_rng(seed)
    found = []
    for _ in range(REFITS):
        normal, even = chance.standard_normal(len(names)), chance.uniform(-1.0, 1.0, len(names))
        away = constant * normal[which] + hysteresis * np.abs(table.load) * even[which]
        with contextlib.suppress(FitError):
            found.append(fit_law(replace(table, reading=law + slopes * away), fit.law))
    if len(found) < REFITS / 2:
        raise FitError(
            f"'{fit.law.replace('_', ' ')}' depends on single readings: most redrawn readings "
            "would not give it"
        )
    return tuple(found)


def _condition(point: CalibrationPoint) -> tuple[str, float, int]:
    return point.label, round(point.wanted_m, 4), point.approach


def law_part(fit: Fit, drawn: Sequence[Fit], forces: Array) -> Array:
    """Return the RMS change of the force reading at ``forces`` over the drawn fits, in N."""
    readings = fit.readings(forces)
    away = [_loads_near(one, readings, forces) - forces for one in drawn]
    found: Array = np.sqrt(np.mean(np.square(away), axis=0))
    return found


def drift_N(points: Sequence[CalibrationPoint], fit: Fit, constant_N: float) -> float:
    """Return the standard uncertainty from drift of the zero over the session; 0 if none is seen.

    Rectangular between the zeros of first and last series, if they differ by more than twice the
    scatter expected of them.
    """
    by_series: dict[int, list[float]] = {}
    for point, free in zip(points, unloaded(points), strict=True):
        if free and not point.outlier:
            zero = point.reading_counts - fit.slope(0.0) * point.load_N
            by_series.setdefault(point.series, []).append(zero)
    if len(by_series) < 2:
        return 0.0
    first, last = by_series[min(by_series)], by_series[max(by_series)]
    gap = abs(float(np.mean(last) - np.mean(first)) / fit.slope(0.0))
    expected = constant_N * math.sqrt(1 / len(first) + 1 / len(last))
    return gap / math.sqrt(12.0) if gap > 2.0 * expected else 0.0


def budget_for(
    points: Sequence[CalibrationPoint],
    fit: Fit,
    drawn: Sequence[Fit],
    count: float = 1.0,
    seed: int = 1,
) -> Budget:
    """Return the budget of a single force reading over the calibrated forces, both directions.

    Args:
        points: outliers are left out. fit: the law, counts against N. drawn: by :func:`refits`.
        count: smallest step of the indicator.
        seed: seed of the random draws; one seed gives one table.
    """
    used = [point for point in points if not point.outlier]
    low, high = fit.load_range
    reach = max(abs(low), abs(high))
    right = np.linspace(0.0, reach, NODES + 1)
    slope = np.abs(fit.slopes(right))
    constant, hysteresis = scatter_law(points, fit)
    reading = max(float(np.median([p.sd_counts for p in used])), count * LEAST_COUNT_U)
    components: dict[str, Array] = {
        "fit": law_part(fit, drawn, right),
        **common_parts(points, fit, right),
        "friction and repeatability": np.full(right.size, constant),
        HYSTERESIS: hysteresis * right / math.sqrt(3.0),
        "reading, noise and resolution": reading / slope,
        "drift of zero": np.full(right.size, drift_N(points, fit, constant)),
    }
    both = np.concatenate((-right[:0:-1], right))
    mirrored = {name: np.concatenate((part[:0:-1], part)) for name, part in components.items()}
    mirrored = {name: np.abs(part) for name, part in mirrored.items()}
    mirrored["other sense not loaded"] = np.where(
        both < NEAR_END * min(low, 0.0), OTHER_SENSE * _by_one_set(fit, np.abs(both)), 0.0
    )
    return Budget(both, mirrored, _half_widths(mirrored, seed) / 2.0)


def _by_one_set(fit: Fit, force: Array) -> Array:
    """Return the part of a force, in N, that depends on one spring set alone.

    Up to the knee both sets work, the same in either direction; beyond it, in the other direction,
    the other set works alone: F = k·(δ + δ_knee), of which k·δ changes with its rate.
    """
    if fit.law != "two_slopes":
        return force
    knee = float(fit.coefficients[3])
    return np.where(force > knee, force - 0.5 * knee, 0.0)


def _half_widths(components: Mapping[str, Array], seed: int) -> Array:
    """Return the half width that contains ``COVERAGE`` of the draws, shape (m,) (JCGM 101, 7.7)."""
    chance = np.random.default_rng(seed)
    normal = chance.standard_normal(DRAWS)
    even = math.sqrt(3.0) * chance.uniform(-1.0, 1.0, DRAWS)
    bell = np.sqrt(
        sum(
            (part**2 for key, part in components.items() if key != HYSTERESIS),
            start=np.zeros_like(components[HYSTERESIS]),
        )
    )
    return np.array(
        [
            np.quantile(np.abs(u * normal + band * even), COVERAGE)
            for u, band in zip(bell, components[HYSTERESIS], strict=True)
        ]
    )
