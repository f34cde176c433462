"""What is wrong with a calibration, and what to do about it.

Two things are told apart here that a good fit alone would hide: loads that are not what the
operator says, and an instrument that is not what the law says. The force that the motor's
torque gives, found while the output was held, is the second opinion: it knows nothing of
weights and lever. Without it the calibration that the profile has so far must do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize_scalar

from hil.calibrating.laws import FitError, fit_law
from hil.calibrating.loads import rod_load
from hil.calibrating.points import Points
from hil.calibrating.result import (
    Array,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
)
from hil.calibrating.uncertainty import table_of
from hil.calibration import ForceCalibration
from hil.profile.schema import Lever, Profile

# The motor's torque constant and the screw's losses are known to a few percent (common
# practice, no source); without a sweep the springs of one drawing differ by a fifth.
ARM_SHARE = 0.06
ARM_SHARE_UNSWEPT = 0.30
KILOGRAM = 9.81
FROM_END_M = 0.0007
AWAY_M = 0.002
SOLID_SHARE = 0.4
RAIL_SHARE = 0.01
OFFSET_LEAST_N = 2.0
OFFSET_MOST_N = 60.0
OFFSET_SURE = 4.0
PAN_NEAR = 0.35
UNSETTLED_SHARE = 0.2
NEAR_MASS = 0.3  # of the step to the next weight


def judge_points(
    profile: Profile, points: Sequence[CalibrationPoint], sensor: SensorLaw | None
) -> list[CalibrationFinding]:
    """What the readings say against the loads, before any law is fitted."""
    found = [*_ends(profile, points), *_rail(profile, points)]
    if not points:
        return found
    second = _second_opinion(profile, sensor)
    forces = np.array([second(p.reading_counts) for p in points])
    loads = np.array([p.load_N for p in points])
    heavy = loads > 0.0
    if not heavy.any():
        return found
    ratio = float(np.sum(forces * loads) / np.sum(loads**2))
    if ratio > KILOGRAM / 2 or 0.0 < ratio < 2 / KILOGRAM:
        typed = "kilograms were typed for newtons" if ratio > 1 else (
            "newtons were typed for kilograms"
        )  # fmt: skip
        return [*found, CalibrationFinding(
            "wrong_unit",
            f"the motor feels {ratio:.2g} times the loads that were typed, at every load: {typed}",
            "type loads in newtons and masses in kilograms (1 kg weighs 9.81 N), then repeat",
        )]  # fmt: skip
    wrong = _other_weights(profile, points, forces)
    if any(f.code == "on_stop" for f in found):
        return found
    if wrong:
        return [*found, *wrong]
    solid = _solid(profile, points)
    if solid:
        return [*found, *solid]
    return [*found, *_steady_ratio(points, forces, loads, sensor is not None)]


def judge_result(result: CalibrationResult, planned: int) -> list[CalibrationFinding]:
    """What the law and its residuals say."""
    found: list[CalibrationFinding] = []
    points = result.points
    if result.dead_zone_m > 0.0:
        found.append(CalibrationFinding(
            "no_preload",
            f"the springs give no force over {1e3 * result.dead_zone_m:.2f} mm about the middle: "
            "their preload is lost",
            "set the preload again, then calibrate; the law found here steps over the gap",
            "warning",
        ))  # fmt: skip
    else:
        found += _offset(result)
    if all(p.direction > 0 for p in points):
        found.append(CalibrationFinding(
            "only_rising",
            "all loads were hung in rising order: how far a falling load reads differently "
            "(reversibility) is not known, and the uncertainty leaves it out",
            "take the weights off one by one as well and read at each, in every series",
        ))  # fmt: skip
    loads = {p.label for p in points}
    if planned and len(loads) < min(planned, 3):
        found.append(CalibrationFinding(
            "too_few", f"only {len(loads)} different loads were read",
            "hang more weights: three loads and no load at least",
        ))  # fmt: skip
    if len({p.series for p in points}) < 3:
        found.append(CalibrationFinding(
            "few_series", "fewer than three series: repeatability rests on few readings",
            "repeat with three series or more", "warning",
        ))  # fmt: skip
    loose = [i for i, p in enumerate(points) if not p.settled]
    if len(loose) > UNSETTLED_SHARE * len(points):
        found.append(CalibrationFinding(
            "unsettled", f"{len(loose)} of {len(points)} readings had not come to rest",
            "keep hands off the lever, see that weights do not swing, and repeat", "warning",
            tuple(loose),
        ))  # fmt: skip
    aside = [i for i, p in enumerate(points) if p.outlier]
    if aside:
        found.append(CalibrationFinding(
            "outliers", f"{len(aside)} of {len(points)} readings were set aside as outliers",
            "look at their raw samples; repeat the series if they are real", "warning",
            tuple(aside),
        ))  # fmt: skip
    return found


# -- second opinion ----------------------------------------------------------------------------


def _second_opinion(profile: Profile, sensor: SensorLaw | None) -> Callable[[float], float]:
    if sensor is None:
        law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        return lambda counts: law.force(law.deflection(counts))
    order = np.argsort(sensor.counts)
    counts, force = sensor.counts[order], sensor.motor_force_N[order]
    if profile.calibration.deflection_per_count * (force[-1] - force[0]) < 0:
        force = force.copy()

    def read(reading: float) -> float:
        i = int(np.clip(np.searchsorted(counts, reading), 2, counts.size - 2))
        # Beyond the sweep along its last pieces, two of them against noise.
        a, b = (i - 1, i) if counts[0] <= reading <= counts[-1] else (
            (0, 2) if reading < counts[0] else (counts.size - 3, counts.size - 1)
        )  # fmt: skip
        slope = (force[b] - force[a]) / (counts[b] - counts[a])
        return float(force[a] + slope * (reading - counts[a]))

    return read


def _steady_ratio(
    points: Sequence[CalibrationPoint], forces: Array, loads: Array, swept: bool
) -> list[CalibrationFinding]:
    """Whether both forces stand in one ratio that is not 1."""
    free = loads == 0.0
    zero = float(forces[free].mean()) if free.any() else 0.0
    felt = forces[~free] - zero
    hung = loads[~free]
    ratio = float(np.sum(felt * hung) / np.sum(hung**2))
    away = abs(ratio - 1.0)
    if away < (ARM_SHARE if swept else ARM_SHARE_UNSWEPT):
        return []
    steady = float(np.std(felt - ratio * hung)) < 0.5 * away * float(np.abs(hung).max())
    by = "motor" if swept else "calibration so far"
    sense = "longer" if ratio > 1 else "shorter"
    return [CalibrationFinding(
        "arm_wrong" if steady else "forces_disagree",
        f"the force by the {by} is {ratio:.2f} times that by weights and lever"
        + (", at every load alike: an arm of the lever differs from the profile" if steady
           else ", and not by one ratio"),
        f"measure rig.load_arm and rig.rod_arm again: the load arm looks {100 * away:.0f} % "
        f"{sense} than written, or the rod arm the other way about; then repeat"
        if steady else "see that nothing touches the lever, then repeat",
    )]  # fmt: skip


def _other_weights(
    profile: Profile, points: Sequence[CalibrationPoint], forces: Array
) -> list[CalibrationFinding]:
    """Visits whose force is that of another weight of the set than the one named."""
    told = np.array(sorted({p.mass_kg for p in points}))
    if told.size < 2:
        return []
    visits: dict[tuple[int, int, str], list[int]] = {}
    for i, p in enumerate(points):
        if p.load_N != 0.0:
            visits.setdefault((p.series, p.direction, p.label), []).append(i)
    wrong: dict[tuple[int, int, str], tuple[float, float]] = {}
    for key, mine in visits.items():
        felt = float(np.mean([_mass(profile, points[i], forces[i]) for i in mine]))
        named = points[mine[0]].mass_kg
        nearest = float(told[np.argmin(np.abs(told - felt))])
        step = float(np.diff(told).min())
        # As near as a tenth off allows for the heavy ones.
        near = abs(felt - nearest) < NEAR_MASS * step + 0.05 * nearest
        if nearest != named and near:
            wrong[key] = (named, nearest)
    if not wrong:
        return []
    shown = tuple(i for key in wrong for i in visits[key])
    pairs = set(wrong.values())
    if any((b, a) in pairs for a, b in pairs) and all(b > 0 for _, b in pairs):
        order = ", ".join(f"{a:g} kg was named and {b:g} kg hung" for a, b in sorted(pairs))
        return [CalibrationFinding(
            "wrong_order", f"weights were hung in another order than told: {order}",
            "hang them as told, the lightest first, and repeat", "error", shown,
        )]  # fmt: skip
    (series, direction, label), (named, nearest) = next(iter(wrong.items()))
    where = f"series {series}, loads {'rising' if direction > 0 else 'falling'}"
    return [CalibrationFinding(
        "not_hung" if nearest < named else "other_weight",
        f"{label} was named and {'nothing' if nearest == 0 else f'{nearest:g} kg'} hung ({where}"
        + (f", and {len(wrong) - 1} more" if len(wrong) > 1 else "") + ")",
        f"hang {named:g} kg where it is asked for, see that it hangs free, and repeat",
        "error", shown,
    )]  # fmt: skip


def _mass(profile: Profile, point: CalibrationPoint, force_N: float) -> float:
    none = rod_load(profile, 0.0, point.output_position_m).force_N
    one = rod_load(profile, 1.0, point.output_position_m).force_N
    return (force_N - none) / (one - none)


# -- lever, springs, sensor --------------------------------------------------------------------


def _ends(profile: Profile, points: Sequence[CalibrationPoint]) -> list[CalibrationFinding]:
    stroke = profile.actuator.stroke
    shown = [
        i for i, p in enumerate(points)
        if not FROM_END_M < p.output_position_m < stroke - FROM_END_M
        or abs(p.output_position_m - p.wanted_m) > AWAY_M
    ]  # fmt: skip
    if not shown:
        return []
    first = points[shown[0]]
    return [CalibrationFinding(
        "on_stop",
        f"with {first.label} the output stood at {1e3 * first.output_position_m:.1f} mm in place "
        f"of {1e3 * first.wanted_m:.1f} mm: the lever rests on its stop, or on something else "
        "that bears part of the load",
        "take away whatever is under the lever, see that the motor can lift the weight, or leave "
        "the weight out; then repeat", "error", tuple(shown),
    )]  # fmt: skip


def _rail(profile: Profile, points: Sequence[CalibrationPoint]) -> list[CalibrationFinding]:
    sensor = profile.sensors.deflection
    top = 2**sensor.bits - 1
    margin = sensor.rail_margin + RAIL_SHARE * top
    shown = [i for i, p in enumerate(points) if not margin < p.reading_counts < top - margin]
    if not shown:
        return []
    worst = points[shown[-1]]
    return [CalibrationFinding(
        "near_rail",
        f"with {worst.label} the sensor reads {worst.reading_counts:.0f} of 0 to {top} counts: "
        "so near the end of its range it may be bent or cut off",
        "set the sensor so that no load reads near the middle of its range, or leave the "
        "heaviest weight out", "error", tuple(shown),
    )]  # fmt: skip


def _solid(profile: Profile, points: Sequence[CalibrationPoint]) -> list[CalibrationFinding]:
    """Springs that hardly give at the heaviest loads, beside what they gave at first."""
    loads = np.array([p.load_N for p in points])
    readings = np.array([p.reading_counts for p in points])
    order = np.argsort(loads)
    loads, readings = loads[order], readings[order]
    light = loads < 0.5 * loads.max()
    top = loads > 0.88 * loads.max()
    if np.ptp(loads[light]) < 1.0 or np.ptp(loads[top]) < 0.02 * loads.max():
        return []
    first = np.polyfit(loads[light], readings[light], 1)[0]
    last = np.polyfit(loads[top], readings[top], 1)[0]
    if last / first > SOLID_SHARE:
        return []
    heaviest = points[int(order[-1])]
    return [CalibrationFinding(
        "solid",
        f"above {loads[top][0]:.0f} N the springs give {max(0.0, 100 * last / first):.0f} % of "
        "what they gave at first: they stand at solid height",
        f"leave {heaviest.label} out; below solid height the springs are what is calibrated",
        "error", tuple(int(i) for i in order[top]),
    )]  # fmt: skip


def _offset(result: CalibrationResult) -> list[CalibrationFinding]:
    """A force that is missing, or too much, at every load but no load."""
    fit = result.fit
    if fit is None or not isinstance(result.profile.rig, Lever):
        return []
    table = table_of(result.points)
    if not (np.any(table.load == 0.0) and len({p.label for p in result.points}) >= 4):
        return []
    loaded = (table.load > 0.0).astype(float)

    def squares(offset: float) -> float:
        try:
            moved = fit_law(_moved(table, offset * loaded), fit.law)
        except FitError:
            return float("inf")
        return float(np.sum(moved.residuals**2))

    best = minimize_scalar(squares, bounds=(-OFFSET_MOST_N, OFFSET_MOST_N), method="bounded",
                           options={"xatol": 0.02})  # fmt: skip
    offset, least = float(best.x), float(best.fun)
    variance = least / max(1, table.load.size - fit.coefficients.size - 1)
    bend = (squares(offset + 1.0) + squares(offset - 1.0) - 2 * least) / 2
    u = float(np.sqrt(variance / bend)) if bend > 0 else float("inf")
    own = rod_load(result.profile, 0.0, result.profile.rig.level_position, result.accuracy)
    if abs(offset) < max(OFFSET_LEAST_N, OFFSET_SURE * u, 3.0 * own.u_N):
        return []
    rig = result.profile.rig
    pan = rig.pan_mass * rig.load_arm * rig.gravity / rig.rod_arm
    forgotten = offset < 0 and abs(offset + pan) < PAN_NEAR * pan
    return [CalibrationFinding(
        "pan_forgotten" if forgotten else "own_weight",
        f"every load but no load is {abs(offset):.1f} N {'less' if offset < 0 else 'more'} than "
        "reckoned" + (f", which is what the pan weighs ({pan:.1f} N at the rod): it does not hang "
                      "there" if forgotten else ": lever and pan weigh something else"),
        "hang the pan, or write rig.pan_mass: 0 kg if there is none; then repeat" if forgotten
        else "weigh lever and pan at the load point, correct rig.lever_mass, rig.lever_centre "
        "and rig.pan_mass, then repeat",
    )]  # fmt: skip


def _moved(table: Points, by: Array) -> Points:
    return replace(table, load=table.load + by)
