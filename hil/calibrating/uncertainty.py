"""Uncertainty budget of a force read by a fitted law (JCGM 100:2008), its coverage by JCGM 101.

What is common to all loads (arms, gravity, own weight) does not average out over points: each
such input is moved by one standard uncertainty for all points together, the law fitted again,
and the change of the force read is its share (JCGM 100:2008, 5.1.3 note 1 and 5.2.2). What
parts one reading from the next at the same force (hysteresis of the springs, friction of
the pivot, ringing) is taken from the residuals, with their own distribution: half a loop's
width either way is no bell curve. Hence the half width that holds 95 of 100 is found from
random draws of the whole budget (JCGM 101:2008, 7.7), and half of it is stated as u.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from hil.calibrating.laws import Fit, FitError, fit_law
from hil.calibrating.loads import INPUTS
from hil.calibrating.points import Points
from hil.calibrating.result import Array, Budget, CalibrationPoint

NODES = 12  # rows of the table on either side of zero
DRAWS = 40_000
COVERAGE = 0.95
LEAST_COUNT_U = 1.0 / math.sqrt(12.0)  # rectangular over one count (JCGM 100, F.2.2.1)
# Springs loaded in one sense tell of the other only that both sets are of one drawing.
OTHER_SENSE = 0.01


def table_of(points: Sequence[CalibrationPoint]) -> Points:
    """Loads and readings of all points but the outliers, with series and direction."""
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
    """Change of the force read at ``forces``, by input moved by one standard uncertainty.

    An input whose moved points no longer carry the law (they nearly always do) counts with the
    part of the nearest load instead.
    """
    used = [point for point in points if not point.outlier]
    table = table_of(points)
    readings = np.array([fit.reading(force) for force in forces])
    shares: dict[str, Array] = {}
    for name in INPUTS:
        parts = np.array([point.parts.get(name, 0.0) for point in used])
        if not np.any(parts):
            continue
        try:
            moved = fit_law(replace(table, load=table.load + parts), fit.law)
            shares[name] = np.array(
                [_load_near(moved, reading, force) - force
                 for reading, force in zip(readings, forces, strict=True)]
            )  # fmt: skip
        except FitError:
            order = np.argsort(table.load)
            shares[name] = np.interp(forces, table.load[order], parts[order])
    return shares


def _load_near(fit: Fit, reading: float, guess: float) -> float:
    for _ in range(6):  # Newton; straight pieces end exactly
        guess += (reading - fit.reading(guess)) / fit.slope(guess)
    return guess


def scatter_law(fit: Fit, table: Points) -> tuple[float, float, Array]:
    """(constant, per force, standardised residuals): scatter of single readings in N.

    √(constant² + (per force·F)²) by maximum likelihood over the residuals, each turned into
    force by the slope there; a residual's lost degrees of freedom are given back.
    """
    slopes = np.array([fit.slope(load) for load in table.load])
    errors = -fit.residuals / slopes
    errors = errors * math.sqrt(errors.size / max(1, fit.degrees_of_freedom))
    size = np.abs(table.load)
    span = float(size.max()) or 1.0
    total = max(float(errors.std()), 1e-9)
    best, found = math.inf, (total, 0.0)
    for constant in total * np.geomspace(0.05, 2.0, 40):
        for share in np.concatenate(([0.0], total / span * np.geomspace(0.05, 4.0, 40))):
            variance = constant**2 + (share * size) ** 2
            cost = float(np.sum(np.log(variance) + errors**2 / variance))
            if cost < best:
                best, found = cost, (float(constant), float(share))
    scaled = errors / np.hypot(found[0], found[1] * size)
    scaled = scaled - scaled.mean()
    return found[0], found[1], scaled / max(float(scaled.std()), 1e-9)


def drift_N(points: Sequence[CalibrationPoint], fit: Fit, constant_N: float) -> float:
    """Standard uncertainty by drift of the zero over the session; 0 if none is seen.

    Rectangular between the zeros of first and last series, where they differ by more than twice
    what single readings scatter.
    """
    by_series: dict[int, list[float]] = {}
    for point in points:
        if not point.outlier and abs(point.load_N) < 1e-9:
            by_series.setdefault(point.series, []).append(point.reading_counts)
    if len(by_series) < 2:
        return 0.0
    first, last = by_series[min(by_series)], by_series[max(by_series)]
    gap = abs(float(np.mean(last) - np.mean(first)) / fit.slope(0.0))
    expected = constant_N * math.sqrt(1 / len(first) + 1 / len(last))
    return gap / math.sqrt(12.0) if gap > 2.0 * expected else 0.0


def budget_for(
    points: Sequence[CalibrationPoint], fit: Fit, count: float = 1.0, seed: int = 1
) -> Budget:
    """The budget of a single force reading, over the forces of the calibration, both senses.

    Args:
        points: outliers are left out. fit: the law in counts on N.
        count: least step of the indicator.
        seed: of the random draws; one seed gives one table.
    """
    used = [point for point in points if not point.outlier]
    table = table_of(points)
    low, high = fit.load_range
    reach = max(abs(low), abs(high))
    right = np.linspace(0.0, reach, NODES + 1)
    slope = np.array([abs(fit.slope(force)) for force in right])
    constant, share, shape = scatter_law(fit, table)
    reading = max(float(np.median([p.sd_counts for p in used])), count * LEAST_COUNT_U)
    components: dict[str, Array] = {
        "fit": np.array([fit.at(force).u for force in right]) / slope,
        **common_parts(points, fit, right),
        "hysteresis and friction": np.hypot(constant, share * right),
        "reading, noise and resolution": reading / slope,
        "drift of zero": np.full(right.size, drift_N(points, fit, constant)),
    }
    both = np.concatenate((-right[:0:-1], right))
    mirrored = {name: np.concatenate((part[:0:-1], part)) for name, part in components.items()}
    mirrored = {name: np.abs(part) for name, part in mirrored.items()}
    other = np.where(both < min(low, 0.0), OTHER_SENSE * np.abs(both), 0.0)
    mirrored["other sense not loaded"] = other
    return Budget(both, mirrored, _half_widths(mirrored, shape, seed) / 2.0)


def _half_widths(components: Mapping[str, Array], shape: Array, seed: int) -> Array:
    """Half width that holds ``COVERAGE`` of the draws, shape (m,) (JCGM 101:2008, 7.7)."""
    chance = np.random.default_rng(seed)
    normal = chance.standard_normal(DRAWS)
    loop = chance.choice(shape, DRAWS)
    name = "hysteresis and friction"
    bell = np.sqrt(sum((part**2 for key, part in components.items() if key != name),
                       start=np.zeros_like(components[name])))  # fmt: skip
    return np.array(
        [np.quantile(np.abs(u * normal + band * loop), COVERAGE)
         for u, band in zip(bell, components[name], strict=True)]
    )  # fmt: skip
