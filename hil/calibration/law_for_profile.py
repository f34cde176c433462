"""From fitted points to a profile's calibration: zero, sensor law, spring law.

The fit gives the reading for a load. With the sensor law (counts → deflection) it becomes the
spring law (deflection → force) that the bench uses.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from pydantic import ValidationError

from drivers.motion import LENGTH
from hil.calibration.fit_models import Fit, FitError
from hil.calibration.result import Array, SensorLaw
from hil.control import ForceCalibration
from hil.profile import Calibration, Profile

STRAIGHT_COUNTS = 1.0  # a sensor that departs from its line by less than one count is linear
TABLE_ROWS = 25
LEAST_SWEEP = 200  # samples
ODD_POWERS = (1, 3, 5)
LOOKS = 101
DEAD_RATE_SHARE = 0.001  # of the springs' rate: represents zero in a dead zone


def sensor_law(counts: Array, nut_m: Array, motor_force_N: Array) -> SensorLaw:
    """Return the sensor law from a sweep out and back; with the output held, nut is deflection.

    Args:
        counts, nut_m, motor_force_N: shape (n,), sample by sample, as many going out as back.

    The deflection counts from the start of the sweep. Samples at equal nut position are averaged
    over both directions, which removes hysteresis of the sensor and friction.

    Raises:
        FitError: too few samples, or the nut hardly moved.
    """
    if counts.size < LEAST_SWEEP or np.ptp(nut_m) < 1e-4 or np.ptp(counts) < 20:
        raise FitError(
            "the sensor's law cannot be determined: nut or reading hardly moved while the output was "
            "held; make sure that the motor turns and the clamp holds the output, then repeat"
        )
    nut_m = nut_m - nut_m[0]
    edges = np.linspace(nut_m.min(), nut_m.max(), TABLE_ROWS + 1)
    bins = np.clip(np.digitize(nut_m, edges) - 1, 0, TABLE_ROWS - 1)
    outward = np.gradient(nut_m) >= 0
    at, mean, force = [], [], []
    for number in range(TABLE_ROWS):
        mine = bins == number
        ways = [mine & outward, mine & ~outward]
        if any(way.sum() < 3 for way in ways):
            continue
        at.append(float(np.mean([nut_m[way].mean() for way in ways])))
        mean.append(float(np.mean([counts[way].mean() for way in ways])))
        force.append(float(np.mean([motor_force_N[way].mean() for way in ways])))
    if len(at) < 5:
        raise FitError("the sensor's law cannot be determined: the sweep did not go out and back")
    x, y, f = np.array(at), np.array(mean), np.array(force)
    slope, start = (float(v) for v in np.polyfit(x, y, 1))
    residual = y - (start + slope * x)
    u_slope = float(residual.std(ddof=2) / (x.std() * math.sqrt(x.size)))
    per_count = 1.0 / slope
    straight = bool(np.abs(residual).max() < STRAIGHT_COUNTS)
    origin = float(np.interp(start, y, x)) if slope > 0 else float(np.interp(-start, -y, x))
    table: tuple[tuple[float, float], ...] = ()
    if not straight:
        order = np.argsort(y)
        table = tuple(
            (float(a - start), float(1e3 * (b - origin)))
            for a, b in zip(y[order], x[order], strict=True)
        )
    return SensorLaw(
        "linear" if straight else "table",
        per_count,
        abs(per_count**2 * u_slope),
        table,
        y,
        x,
        residual,
        f,
    )


def without_sensor_law(profile: Profile) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Return slope in m per count and table of the profile's present law."""
    calibration = profile.calibration
    return calibration.deflection_per_count, calibration.sensor_table


def rezeroed(
    table: Sequence[tuple[float, float]], shift_counts: float
) -> tuple[tuple[float, float], ...]:
    """Return a sensor table relative to another zero, ``shift_counts`` above its own."""
    if not table:
        return ()
    counts, mm = np.array(table).T
    here = float(np.interp(shift_counts, counts, mm))
    return tuple(
        (float(c - shift_counts), float(d - here)) for c, d in zip(counts, mm, strict=True)
    )


def deflections(
    per_count_m: float, table: Sequence[tuple[float, float]], counts_from_zero: Array
) -> Array:
    """Return deflection in m for readings in counts from zero; a table is extrapolated."""
    if not table:
        return counts_from_zero * per_count_m
    counts, mm = np.array(table).T
    inside = np.interp(counts_from_zero, counts, mm)
    low, high = counts_from_zero < counts[0], counts_from_zero > counts[-1]
    first = (mm[1] - mm[0]) / (counts[1] - counts[0])
    last = (mm[-1] - mm[-2]) / (counts[-1] - counts[-2])
    inside[low] = mm[0] + first * (counts_from_zero[low] - counts[0])
    inside[high] = mm[-1] + last * (counts_from_zero[high] - counts[-1])
    found: Array = 1e-3 * inside
    return found


def calibration_for(
    profile: Profile,
    fit: Fit,
    sensor: SensorLaw | None,
    dead_zone_m: float = 0.0,
    uncertainty: Sequence[tuple[float, float]] = (),
) -> Calibration:
    """Return the profile's ``calibration`` part from a fit of counts to N.

    Raises:
        FitError: reading and deflection have opposite signs, or no monotonic law follows.
    """
    zero = fit.reading(0.0)
    if sensor is None:
        per_count, table = without_sensor_law(profile)
    else:
        per_count = sensor.per_count_m
        start = float(sensor.counts.mean() - sensor.deflection_m.mean() / per_count)
        table = rezeroed(sensor.table, zero - start)
    low, high = fit.load_range
    if fit.slope(0.5 * (low + high)) * per_count <= 0:
        raise FitError(
            "the force falls where it should rise: the reading changes in the wrong direction under "
            "load; reverse the sign of calibration.deflection_per_count, or the sensor's connection"
        )

    def deflection(load: float) -> float:
        return float(deflections(per_count, table, np.array([fit.reading(load) - zero]))[0])

    law: dict[str, Any]
    if dead_zone_m > 0.0:
        rate = 1.0 / (fit.slope(high) * per_count)
        law = dict(
            kind="two_slopes",
            inner_rate=DEAD_RATE_SHARE * rate,
            outer_rate=rate,
            knee=0.5 * dead_zone_m,
        )
        # The line through the loaded points begins at one edge of the dead zone.
        zero -= 0.5 * dead_zone_m / per_count
    elif fit.law == "two_slopes":
        knee_load = float(fit.coefficients[3])
        knee = deflection(knee_load)
        law = dict(
            kind="two_slopes",
            inner_rate=knee_load / knee,
            outer_rate=(high - knee_load) / (deflection(high) - knee),
            knee=knee,
        )
    elif fit.law == "line":
        rate = high / deflection(high)
        law = dict(kind="two_slopes", inner_rate=rate, outer_rate=rate, knee=deflection(high))
    else:
        law = _odd_polynomial(fit, deflection, high)
    data = {
        "zero": zero,
        "deflection_per_count": per_count,
        "spring_law": law,
        "sensor_table": table,
        "uncertainty_table": tuple(uncertainty),
        "valid_months": profile.calibration.valid_months,
    }
    try:
        found = Calibration.model_validate(data, context={"si": True})
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FitError(
            f"no usable law follows from the points ({place} {first['input']:.4g}: "
            f"{first['msg'].lower()})"
        ) from None
    most = profile.limits.deflection.limited
    curve = ForceCalibration(found, profile.sensors.deflection)
    if min(curve.stiffness(x) for x in np.linspace(-most, most, LOOKS).tolist()) <= 0.0:
        raise FitError(
            f"by this law ({fit.law.replace('_', ' ')}) the force falls again before the "
            f"{LENGTH(most):g}{LENGTH} that limits.deflection permits: hang heavier weights, or choose a "
            "simpler law"
        )
    return found


def _odd_polynomial(fit: Fit, deflection: Callable[[float], float], high: float) -> dict[str, Any]:
    """Return F(δ) in odd powers, so that pull mirrors push, over the range of the loads."""
    loads = np.linspace(0.0, high, LOOKS)
    mm = np.array([1e3 * deflection(load) for load in loads])
    if not np.all(np.diff(mm) > 0):
        raise FitError("the law is not monotonic over the loads: choose a simpler law")
    matrix = np.column_stack([mm**power for power in ODD_POWERS])
    scale = np.linalg.norm(matrix, axis=0)
    found = np.linalg.lstsq(matrix / scale, loads, rcond=None)[0] / scale
    coefficients = [0.0] * (max(ODD_POWERS) + 1)
    for power, value in zip(ODD_POWERS, found, strict=True):
        coefficients[power] = float(value)
    return {"kind": "polynomial", "coefficients": tuple(coefficients)}
