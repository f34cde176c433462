"""From points to a calibration: set outliers aside, choose the law, state its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from hil.calibration.diagnostics import judge_points
from hil.calibration.figures import Merit, merit
from hil.calibration.fit_models import Fit, FitError, choose_law
from hil.calibration.law_diagnostics import judge_result
from hil.calibration.law_for_profile import calibration_for, without_sensor_law
from hil.calibration.loads import Accuracy, Kind
from hil.calibration.points import Points
from hil.calibration.result import (
    Array,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
    unloaded,
)
from hil.calibration.uncertainty import budget_for, refits, table_of
from hil.profile import Profile, TwoSlopes

# Of robust standard deviations. Iglewicz and Hoaglin (1993) take 3.5 for bell curves; hysteresis
# and friction, half a loop's width either way, reach farther.
OUTLIER_SCORE = 6.0
OUTLIER_LEAST_COUNTS = 4.0
OUTLIER_SHARE = 0.15  # a larger share is not outliers but an error
DEAD_LEAST_M = 1e-4
SPRINGS_WRONG = ("no_preload", "solid")
DEAD_FROM, DEAD_TO = (
    0.15,
    0.55,
)  # of the sweep's largest force: range in which each side is straight


def evaluate(
    profile: Profile,
    accuracy: Accuracy,
    laws: Sequence[str],
    points: Sequence[CalibrationPoint],
    sensor: SensorLaw | None,
    findings: Sequence[CalibrationFinding] = (),
    planned: int = 0,
    loads: Kind = "lever",
) -> CalibrationResult:
    """Evaluate the points; every problem becomes a finding.

    Args:
        laws: laws to choose from by AICc. planned: loads in one series, 0 if not known.
        loads: their kind.
    """
    springs_wrong = any(f.code in SPRINGS_WRONG for f in findings)
    found = [*findings, *judge_points(profile, points, sensor, loads, springs_wrong)]
    dead_m = dead_zone(sensor) if sensor is not None else 0.0
    free = unloaded(points)
    usable = [p for p, none in zip(points, free, strict=True) if not (dead_m and none)]
    weights = tuple(sorted({p.mass_kg for p in points if p.mass_kg > 0.0}))
    empty = CalibrationResult(
        profile,
        accuracy,
        weights,
        tuple(points),
        sensor,
        None,
        {},
        None,
        None,
        None,
        math.nan,
        math.nan,
        dead_m,
        (),
        loads,
    )
    if not usable:
        missing = CalibrationFinding(
            "too_few", "no point was taken", "repeat from the first load on"
        )
        return replace(empty, findings=(*found, *([missing] if not found else [])))
    try:
        if dead_m and len(laws) > 1:
            laws = ("line",)  # beyond a gap one set works alone, so there is no knee
        marked = set_aside(usable, laws)
        table = table_of(marked)
        fit, fits = choose_law(table, laws)
        if fit.law != "two_slopes" and "two_slopes" in fits and len(laws) > 1:
            fit = _plainer(fit, fits)
        drawn = refits(marked, fit)
        budget = budget_for(marked, fit, drawn)
        if dead_m:
            dead_m = _dead_by_weights(profile, fit, sensor, dead_m)
        calibration = calibration_for(profile, fit, sensor, dead_m, budget.table)
    except FitError as error:
        if not any(f.severity == "error" for f in found):  # else an error explains it
            found.append(_too_few(points, str(error)))
        return replace(empty, findings=tuple(found))
    points = [p for p in points if p not in usable] + marked
    points.sort(key=lambda p: p.rows[0, 0] if len(p.rows) else 0.0)
    knee = Knee(math.nan, math.nan)
    if fit.law == "two_slopes":
        knee = knee_of(calibration.spring_law, fit, drawn, sensor)
    result = replace(
        empty,
        points=tuple(points),
        fit=fit,
        fits=fits,
        budget=budget,
        calibration=calibration,
        merit=_figures(table, fit, [p.mounting for p in marked if not p.outlier]),
        knee_m=knee.value,
        u_knee_m=knee.u,
        dead_zone_m=dead_m,
        findings=tuple(found),
    )
    found += judge_result(result, planned, cut_short=any(f.severity == "error" for f in findings))
    return replace(result, findings=tuple(found))


def _figures(table: Points, fit: Fit, mountings: Sequence[int]) -> Merit:
    return merit(table, fit, np.array(mountings, dtype=np.int64), same_load=0.02)


def _too_few(points: Sequence[CalibrationPoint], text: str) -> CalibrationFinding:
    loads = len({p.label for p in points})
    return CalibrationFinding(
        "too_few",
        f"{text} (so far: {len(points)} points at {loads} loads)",
        "hang more weights, at least two on either side of a knee, or choose a simpler law",
    )


def _plainer(fit: Fit, fits: dict[str, Fit]) -> Fit:
    """Return the two-slope law, as of opposed preloaded springs, unless it is clearly worse."""
    opposed = fits["two_slopes"]
    bends = abs(opposed.coefficients[2] / opposed.coefficients[1] - 1.0) > 0.3
    return opposed if bends and opposed.aicc < fit.aicc + 6.0 else fit


def set_aside(points: Sequence[CalibrationPoint], laws: Sequence[str]) -> list[CalibrationPoint]:
    """Return the points with outliers marked, found from the residuals of each series.

    Median and median absolute deviation replace mean and scatter, so that outliers do not hide each
    other.

    Raises:
        FitError: no law fits at all.
    """
    fit, _ = choose_law(table_of([replace(p, outlier=False) for p in points]), laws)
    size = np.array([abs(p.load_N) for p in points])
    light = size <= 0.5 * size.max()
    marks = []
    for series in sorted({p.series for p in points}):
        mine = np.array([p.series == series for p in points])
        away = np.abs(fit.residuals - np.median(fit.residuals[mine]))
        # Hysteresis grows with the load: compare heavy loads with heavy ones.
        for alike in (mine & light, mine & ~light):
            if alike.any():
                scale = 1.4826 * float(np.median(away[alike]))
                far = away > max(OUTLIER_SCORE * scale, OUTLIER_LEAST_COUNTS)
                marks += np.flatnonzero(far & alike).tolist()
    if len(marks) > OUTLIER_SHARE * len(points):
        marks = []
    return [replace(p, outlier=i in marks) for i, p in enumerate(points)]


@dataclass(frozen=True)
class Knee:
    value: float
    u: float


def knee_of(law: object, fit: Fit, drawn: Sequence[Fit], sensor: SensorLaw | None) -> Knee:
    """Return the deflection at the knee and its standard uncertainty in m.

    It is computed in counts: an error common to all loads does not move the knee.
    """
    if not isinstance(law, TwoSlopes) or not drawn:
        return Knee(math.nan, math.nan)
    counts = fit.coefficients[1] * fit.coefficients[3]
    away = [one.coefficients[1] * one.coefficients[3] / counts - 1.0 for one in drawn]
    scale = 0.0 if sensor is None else sensor.u_per_count_m / abs(sensor.per_count_m)
    return Knee(law.knee, law.knee * math.hypot(float(np.sqrt(np.mean(np.square(away)))), scale))


def dead_zone(sensor: SensorLaw) -> float:
    """Return the whole width in m without spring force, by the sweep; 0 if there is none."""
    x, force = sensor.deflection_m, sensor.motor_force_N
    edges = []
    for side in (1.0, -1.0):
        size = side * force
        straight = (size > DEAD_FROM * size.max()) & (size < DEAD_TO * size.max())
        if straight.sum() < 2:
            return 0.0
        slope, start = np.polyfit(x[straight], force[straight], 1)
        edges.append(-start / slope)
    width = float(edges[0] - edges[1])
    return width if width > DEAD_LEAST_M else 0.0


def _dead_by_weights(profile: Profile, fit: Fit, sensor: SensorLaw | None, swept_m: float) -> float:
    """Return the same from the beginning of the fitted law, relative to the middle of the sweep."""
    if sensor is None:
        return swept_m
    per_count = sensor.per_count_m
    middle = float(np.interp(0.0, sensor.motor_force_N, sensor.counts))
    half = (fit.reading(0.0) - middle) * per_count
    return 2.0 * half if 0.5 * swept_m < 2.0 * half < 2.0 * swept_m else swept_m


def per_count_of(profile: Profile, sensor: SensorLaw | None) -> float:
    return without_sensor_law(profile)[0] if sensor is None else sensor.per_count_m


def residuals_N(result: CalibrationResult) -> Array:
    """Return law minus load in N for every point, outliers included; for plots.

    Raises:
        ValueError: no law was found.
    """
    fit = result.fit
    if fit is None:
        raise ValueError("no law was found: there are no residuals")
    return np.array(
        [(p.reading_counts - fit.reading(p.load_N)) / fit.slope(p.load_N) for p in result.points]
    )
