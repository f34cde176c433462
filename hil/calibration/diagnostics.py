"""Diagnosis of the readings of a calibration: findings and fixes.

It distinguishes two errors that a good fit alone would hide: loads that differ from those the
operator named, and an instrument that differs from the law. The force from the motor's torque,
measured while the output was held, is the second opinion: it does not depend on weights and lever.
Without it, the profile's present calibration takes its place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from drivers.motion import FORCE, LENGTH
from hil.calibration.loads import Kind, rod_load
from hil.calibration.result import Array, CalibrationFinding, CalibrationPoint, SensorLaw, unloaded
from hil.control import ForceCalibration
from hil.core import Limit, label
from hil.procedures import BenchStopped, column
from hil.profile import Profile

# The motor's torque constant and the screw's losses are known to a few percent (common
# practice, no source); without a sweep the springs of one drawing differ by a fifth.
ARM_SHARE = 0.06
ARM_SHARE_UNSWEPT = 0.30
KILOGRAM = 9.81
NEARLY = 1.6  # largest factor between the ratio and 9.81 or 1/9.81; springs and arms are unknown
FROM_END_M = 0.0007
AWAY_M = 0.002
SOLID_SHARE = 0.4
RAIL_SHARE = 0.01
LAST_ROWS = 100  # before a stop: a tenth of a second at 1 kHz
NEAR_MASS = 0.3  # of the step to the next weight


def stopped_finding(stop: BenchStopped) -> CalibrationFinding:
    """Return the finding for a stop of the bench: what its last samples show of springs and sensor."""
    if stop.cause == label(Limit.SENSOR_RAIL):
        return CalibrationFinding(
            "near_rail",
            f"the deflection sensor reached the end of its range: {stop}",
            "set the sensor so that no load reads near the middle of its range, or leave the "
            "heaviest weight out",
        )
    plain = CalibrationFinding(
        "stopped",
        f"the bench stopped: {stop or stop.cause}",
        "clear the cause that the bench reports, then begin again",
    )
    rows = stop.seen.rows[-LAST_ROWS:]
    if stop.cause != label(Limit.DISAGREEMENT) or not len(rows):
        return plain
    springs = float(column(rows, "spring_force_N").mean())
    motor = float(column(rows, "motor_force_N").mean())
    if springs * motor <= 0.0:
        return plain
    if abs(motor) > abs(springs):
        return CalibrationFinding(
            "solid",
            f"the motor pressed harder and harder but the springs deflected no further: {stop}. They "
            "are at solid height, or something in parallel carries the load",
            "make sure that nothing blocks the springs; calibrate with lower force limits or lighter "
            "weights, so that they stay clear of solid height",
        )
    return CalibrationFinding(
        "no_preload",
        f"the springs deflected far more easily than by the calibration so far: {stop}. Their "
        "preload is lost, or a set is missing",
        "check both spring sets, set the preload again, then start again",
    )


def judge_points(
    profile: Profile,
    points: Sequence[CalibrationPoint],
    sensor: SensorLaw | None,
    kind: Kind = "lever",
    springs_wrong: bool = False,
) -> list[CalibrationFinding]:
    """Judge the readings against the loads, before any law is fitted.

    Args:
        springs_wrong: known already; their ratio to the motor then says nothing about the loads.
    """
    found = [*_ends(profile, points), *_rail(profile, points, sensor)]
    if not points:
        return found
    second = second_opinion(profile, sensor)
    forces = np.array([second(p.reading_counts) for p in points])
    loads = np.array([p.load_N for p in points])
    heavy = loads > 0.0
    if not heavy.any():
        return found
    unit = _unit(profile, points, forces)
    if unit:
        return [*found, *unit]
    wrong = _other_weights(profile, points, forces)
    if any(f.code == "on_stop" for f in found):
        return found
    if wrong:
        return [*found, *wrong]
    solid = _solid(profile, points)
    if solid or springs_wrong:
        return [*found, *solid]
    return [*found, *_steady_ratio(points, forces, loads, sensor is not None, kind)]


# -- second opinion ----------------------------------------------------------------------------


def second_opinion(profile: Profile, sensor: SensorLaw | None) -> Callable[[float], float]:
    if sensor is None:
        law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        return lambda counts: law.force(law.deflection(counts))
    order = np.argsort(sensor.counts)
    counts, force = sensor.counts[order], sensor.motor_force_N[order]
    if profile.calibration.deflection_per_count * (force[-1] - force[0]) < 0:
        force = force.copy()

    def read(reading: float) -> float:
        i = int(np.clip(np.searchsorted(counts, reading), 2, counts.size - 2))
        # Beyond the sweep, extrapolate along its last two pieces (two, against noise).
        a, b = (
            (i - 1, i)
            if counts[0] <= reading <= counts[-1]
            else ((0, 2) if reading < counts[0] else (counts.size - 3, counts.size - 1))
        )
        slope = (force[b] - force[a]) / (counts[b] - counts[a])
        return float(force[a] + slope * (reading - counts[a]))

    return read


def _unit(
    profile: Profile, points: Sequence[CalibrationPoint], forces: Array
) -> list[CalibrationFinding]:
    """Return a finding if masses were typed in the unit of forces, or the other way round."""
    hung = [i for i, p in enumerate(points) if p.mass_kg > 0.0]
    if not hung:
        return []
    named = np.array([points[i].mass_kg for i in hung])
    felt = np.array([_mass(profile, points[i], forces[i]) for i in hung])
    ratio = float(np.sum(felt * named) / np.sum(named**2))
    if NEARLY / KILOGRAM < ratio < KILOGRAM / NEARLY:
        return []
    typed = (
        "kilograms were typed for newtons" if ratio > 1 else ("newtons were typed for kilograms")
    )
    return [
        CalibrationFinding(
            "wrong_unit",
            f"every weight acts with {ratio:.2g} times its typed value: {typed}",
            "type masses in kilograms and loads in newtons (1 kg weighs 9.81 N), then repeat",
        )
    ]


def _steady_ratio(
    points: Sequence[CalibrationPoint], forces: Array, loads: Array, swept: bool, kind: Kind
) -> list[CalibrationFinding]:
    """Judge whether the two forces have a constant ratio other than 1."""
    free = unloaded(points)
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
    if kind == "cell":
        return [
            CalibrationFinding(
                "cell_disagrees",
                f"the force by the {by} is {ratio:.2f} times the load cell's reading"
                + (", at every load" if steady else ", and the ratio varies"),
                "make sure that the cell is in line with the rod, that nothing in parallel carries "
                "force, and that its indicator is set to this cell's sensitivity; then repeat",
            )
        ]
    if kind == "rod":
        return [
            CalibrationFinding(
                "weights_disagree",
                f"the force by the {by} is {ratio:.2f} times that by the weights on the rod"
                + (", at every load" if steady else ", and the ratio varies"),
                "weigh weights and carriage (rig.carriage_mass), make sure that the rod is upright and "
                "nothing in parallel carries weight; then repeat",
            )
        ]
    return [
        CalibrationFinding(
            "arm_wrong" if steady else "forces_disagree",
            f"the force by the {by} is {ratio:.2f} times that by weights and lever"
            + (
                ", at every load: an arm of the lever differs from the profile"
                if steady
                else ", and the ratio varies"
            ),
            f"measure rig.load_arm and rig.rod_arm again: the load arm looks {100 * away:.0f} % "
            f"{sense} than in the profile, or the rod arm the opposite; then repeat"
            if steady
            else "make sure that nothing touches the lever, then repeat",
        )
    ]


def _other_weights(
    profile: Profile, points: Sequence[CalibrationPoint], forces: Array
) -> list[CalibrationFinding]:
    """Return a finding for visits whose force fits another weight of the set than the named one."""
    masses_kg = np.array(sorted({p.mass_kg for p in points}))
    if masses_kg.size < 2:
        return []
    visits: dict[tuple[int, int, str], list[int]] = {}
    for i, p in enumerate(points):
        if p.load_N != 0.0:
            visits.setdefault((p.series, p.direction, p.label), []).append(i)
    wrong: dict[tuple[int, int, str], tuple[float, float]] = {}
    for key, mine in visits.items():
        felt = float(np.mean([_mass(profile, points[i], forces[i]) for i in mine]))
        named = points[mine[0]].mass_kg
        nearest = float(masses_kg[np.argmin(np.abs(masses_kg - felt))])
        step = float(np.diff(masses_kg).min())
        # The tolerance grows with the weight: heavy ones may be off by a few percent.
        near = abs(felt - nearest) < NEAR_MASS * step + 0.05 * nearest
        if nearest != named and near:
            wrong[key] = (named, nearest)
    if not wrong:
        return []
    shown = tuple(i for key in wrong for i in visits[key])
    pairs = set(wrong.values())
    if any((b, a) in pairs for a, b in pairs) and all(b > 0 for _, b in pairs):
        order = ", ".join(f"{a:g} kg was named and {b:g} kg hung" for a, b in sorted(pairs))
        return [
            CalibrationFinding(
                "wrong_order",
                f"weights were hung in a different order than prompted: {order}",
                "hang them as prompted, the lightest first, and repeat",
                "error",
                shown,
            )
        ]
    (series, direction, label), (named, nearest) = next(iter(wrong.items()))
    where = f"series {series}, loads {'rising' if direction > 0 else 'falling'}"
    return [
        CalibrationFinding(
            "not_hung" if nearest < named else "other_weight",
            f"{label} was named and {'nothing' if nearest == 0 else f'{nearest:g} kg'} hung ({where}"
            + (f", and {len(wrong) - 1} more" if len(wrong) > 1 else "")
            + ")",
            f"hang {named:g} kg when prompted, make sure that it hangs free, and repeat",
            "error",
            shown,
        )
    ]


def _mass(profile: Profile, point: CalibrationPoint, force_N: float) -> float:
    none = rod_load(profile, 0.0, point.output_position_m).force_N
    one = rod_load(profile, 1.0, point.output_position_m).force_N
    return (force_N - none) / (one - none)


# -- lever, springs, sensor --------------------------------------------------------------------


def _ends(profile: Profile, points: Sequence[CalibrationPoint]) -> list[CalibrationFinding]:
    stroke = profile.actuator.stroke
    shown = [
        i
        for i, p in enumerate(points)
        if not FROM_END_M < p.output_position_m < stroke - FROM_END_M
        or abs(p.output_position_m - p.wanted_m) > AWAY_M
    ]
    if not shown:
        return []
    first = points[shown[0]]
    return [
        CalibrationFinding(
            "on_stop",
            f"with {first.label} the output was at {LENGTH(first.output_position_m):.1f}{LENGTH} instead "
            f"of {LENGTH(first.wanted_m):.1f}{LENGTH}: the lever rests on its stop, or on something else "
            "that carries part of the load",
            "remove anything under the lever, make sure that the motor can lift the weight, or leave "
            "the weight out; then repeat",
            "error",
            tuple(shown),
        )
    ]


def _rail(
    profile: Profile, points: Sequence[CalibrationPoint], sensor: SensorLaw | None
) -> list[CalibrationFinding]:
    """Return a finding for readings near an end of the sensor's range, or a zero too close to one."""
    about = profile.sensors.deflection
    top = 2**about.bits - 1
    margin = about.rail_margin + RAIL_SHARE * top
    fix = (
        "set the sensor so that no load reads near the middle of its range, or leave the "
        "heaviest weight out"
    )
    shown = [i for i, p in enumerate(points) if not margin < p.reading_counts < top - margin]
    if shown:
        worst = points[shown[-1]]
        return [
            CalibrationFinding(
                "near_rail",
                f"with {worst.label} the sensor reads {worst.reading_counts:.0f} of 0 to {top} counts: "
                "this close to the end of its range it may be nonlinear or saturated",
                fix,
                "error",
                tuple(shown),
            )
        ]
    free = [p.reading_counts for p, zero in zip(points, unloaded(points), strict=True) if zero]
    if not free:
        return []
    per_count = profile.calibration.deflection_per_count if sensor is None else sensor.per_count_m
    most = profile.limits.deflection.limited
    zero, reach = float(np.mean(free)), most / abs(per_count)
    if about.rail_margin < zero - reach and zero + reach < top - about.rail_margin:
        return []
    return [
        CalibrationFinding(
            "near_rail",
            f"without load the sensor reads {zero:.0f} of 0 to {top} counts: so far from the middle "
            f"that {LENGTH(most):.1f}{LENGTH}, as limits.deflection permits, would exceed its range",
            fix.split(", or")[0],
        )
    ]


def _solid(profile: Profile, points: Sequence[CalibrationPoint]) -> list[CalibrationFinding]:
    """Return a finding for springs that are much stiffer at the heaviest loads than at the lightest."""
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
    return [
        CalibrationFinding(
            "solid",
            f"above {FORCE(loads[top][0]):.0f}{FORCE} the springs deflect by "
            f"{max(0.0, 100 * last / first):.0f} % as much for the same load as at light loads: they "
            "are at solid height",
            f"leave {heaviest.label} out; springs can be calibrated only below solid height",
            "error",
            tuple(int(i) for i in order[top]),
        )
    ]
