"""Checks that the parts of a profile are consistent with each other and with physics."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from drivers.motion import FORCE, LENGTH, PER_COUNT, STIFFNESS
from hil.profile.findings import Finding
from hil.profile.limit_checks import limit_inconsistencies
from hil.profile.plausible import implausible
from hil.profile.reference_checks import reference_inconsistencies
from hil.profile.schema import Arm, Lever, Profile, TwoSlopes
from hil.profile.statics import force_at, holding_force, mm_text

# A measured spring law may differ this much from the springs' nominal rate and preload.
LAW_TOLERANCE = 0.30


def inconsistencies(profile: Profile) -> list[Finding]:
    """Return all inconsistencies, in the order of the profile's keys.

    Later checks assume that single values are possible, so an impossible one ends the search.
    """
    found = list(implausible(profile)) + list(_tiers(profile))
    if any(finding.severity == "error" for finding in found):
        return found
    for check in (
        _actuator,
        _rig,
        _sensors,
        _law,
        _uncertainty,
        _control,
        limit_inconsistencies,
        reference_inconsistencies,
        _simulation,
    ):
        found += check(profile)
    return found


def _tiers(profile: Profile) -> Iterator[Finding]:
    limits = profile.limits
    for name in (
        "force",
        "force_rate",
        "deflection",
        "speed",
        "current",
        "motor_heat",
        "drive_temperature",
    ):
        limit = getattr(limits, name)
        if limit.tripped is not None and limit.limited > limit.tripped:
            yield Finding(
                ("limits", name, "limited"),
                "the limited value lies above the trip, so it would never act",
                "keep 'limited' at or below 'tripped'",
            )
    if limits.supply.low >= limits.supply.high:
        yield Finding(("limits", "supply", "low"), "not below 'high'", "swap or correct the two")
    if limits.travel.lower >= limits.travel.upper:
        yield Finding(("limits", "travel", "lower"), "not below 'upper'", "swap or correct the two")


def _actuator(profile: Profile) -> Iterator[Finding]:
    actuator = profile.actuator
    motor, friction, springs = actuator.motor, actuator.friction, actuator.springs
    if motor.continuous_current > motor.peak_current:
        yield Finding(
            ("actuator", "motor", "continuous_current"),
            f"above the peak current of {motor.peak_current:.4g} A",
            "swap or correct the two",
        )
    if 0 < friction.breakaway < friction.coulomb:
        yield Finding(
            ("actuator", "friction", "breakaway"),
            f"below the coulomb friction of {friction.coulomb:.4g} N*m",
            "friction at rest is at least that of motion; correct one",
        )
    if springs.preload >= springs.solid_deflection:
        yield Finding(
            ("actuator", "springs", "preload"),
            f"not below the solid deflection of {mm_text(springs.solid_deflection)}",
            "correct one; is the unit right?",
        )
    counts = profile.sensors.motor.counts_per_revolution
    if profile.drive.get("counts_per_revolution", None) not in (None, counts):
        yield Finding(
            ("drive", "counts_per_revolution"),
            f"{profile.drive['counts_per_revolution']} differs from the {counts} of "
            "sensors.motor.counts_per_revolution",
            "leave this one out, or correct one of the two",
        )
    step = actuator.transmission.lead / counts
    if step > 0.02 * profile.limits.deflection.limited:
        yield Finding(
            ("sensors", "motor", "counts_per_revolution"),
            f"one count is {mm_text(step)} at the nut, too coarse for a deflection of "
            f"{mm_text(profile.limits.deflection.limited)}",
            "count all edges (four a line), or use a finer sensor",
            "warning",
        )


def _rig(profile: Profile) -> Iterator[Finding]:
    rig, stroke, most = profile.rig, profile.actuator.stroke, profile.limits.force.limited
    rotary = profile.motion == "rotary"
    if isinstance(rig, Arm) is not rotary:
        yield Finding(
            ("rig", "kind"),
            f"'{rig.kind}' is of a linear actuator, and this one has a gear"
            if rotary
            else "an arm turns with the joint of a rotary actuator, and this one has a screw",
            "write kind: joint_arm" if rotary else "write kind: lever or kind: linear",
        )
        return
    if isinstance(rig, Lever):
        far = max(rig.level_position, stroke - rig.level_position)
        if rig.attachment == "pin" and far >= 0.95 * rig.rod_arm:
            yield Finding(
                ("rig", "rod_arm"),
                f"an end of the stroke lies {mm_text(far)} from level, at or beyond the "
                "dead centre of a pinned rod",
                "lengthen rod_arm, or shorten the stroke",
            )
        if not 0 <= rig.level_position <= stroke:
            yield Finding(
                ("rig", "level_position"),
                f"outside the stroke of 0 to {mm_text(stroke)}: the lever is never level",
                "measure from the lower mechanical end",
            )
        if rig.attachment == "sector" and far / rig.rod_arm > math.pi / 2:
            yield Finding(
                ("rig", "rod_arm"),
                "the lever would pass the vertical",
                "lengthen rod_arm, or shorten the stroke",
            )
        if rig.lever_centre > 2 * rig.load_arm:
            yield Finding(
                ("rig", "lever_centre"),
                "far beyond the load arm",
                "measure the centre of mass from the pivot",
                "warning",
            )
    bare = holding_force(profile, 0.0)
    if bare > most:
        yield Finding(
            ("limits", "force", "limited"),
            f"{FORCE(most):.4g}{FORCE} cannot hold the bare rig, which needs "
            f"{FORCE(bare):.4g}{FORCE}",
            "raise the limit, or correct the rig's masses and arms",
        )
        return
    for i, weight in enumerate(rig.weights):
        needed = holding_force(profile, weight)
        if needed > most:
            yield Finding(
                ("rig", "weights", i),
                f"{weight:.4g} kg needs {FORCE(needed):.4g}{FORCE} at the rod, above the force "
                f"limit of {FORCE(most):.4g}{FORCE}",
                "leave it out, or raise limits.force",
            )


def _sensors(profile: Profile) -> Iterator[Finding]:
    sensor, calibration = profile.sensors.deflection, profile.calibration
    top = 2**sensor.bits - 1
    per_count = abs(calibration.deflection_per_count)
    path = ("calibration", "deflection_per_count")
    nominal = sensor.span / (top + 1)
    ratio = per_count / nominal
    if not 0.5 <= ratio <= 2:
        yield Finding(
            path,
            f"{PER_COUNT(per_count):.4g} {PER_COUNT.key} is {ratio:.3g} times span / 2^bits",
            f"near {PER_COUNT(nominal):.5g} {PER_COUNT.key} is expected; is the unit right?",
        )
        return
    if not 0.9 <= ratio <= 1.1:
        yield Finding(
            path,
            f"{abs(ratio - 1):.0%} away from span / 2^bits",
            "calibrate again, or correct sensors.deflection",
            "warning",
        )
    low, high = sensor.rail_margin, top - sensor.rail_margin
    if low >= high:
        yield Finding(
            ("sensors", "deflection", "rail_margin"),
            f"leaves no usable range of the {top + 1} counts",
            "write a few counts, such as 8",
        )
        return
    if not low < calibration.zero < high:
        yield Finding(
            ("calibration", "zero"),
            f"{calibration.zero:.6g} counts lies at or beyond the sensor's rail ({low} to {high})",
            "read the counts with no load on the springs",
        )
        return
    reach = min(calibration.zero - low, high - calibration.zero) * per_count
    tripped = profile.limits.deflection.tripped
    if reach < tripped:
        yield Finding(
            ("limits", "deflection", "tripped"),
            f"the sensor reaches its rail at {mm_text(reach)} from zero, before the trip "
            f"at {mm_text(tripped)}",
            f"trip below {mm_text(reach)}, centre the sensor, or use one of longer span",
        )


def _law(profile: Profile) -> Iterator[Finding]:
    law, springs = profile.calibration.spring_law, profile.actuator.springs
    path = ("calibration", "spring_law")
    if isinstance(law, TwoSlopes):
        # Opposed sets: both act up to the preload, then one goes slack.
        expected = [("outer_rate", law.outer_rate, springs.rate_per_set, "the rate of one set")]
        if springs.preload > 0:
            expected.insert(
                0,
                (
                    "inner_rate",
                    law.inner_rate,
                    2 * springs.rate_per_set,
                    "twice the rate of one set",
                ),
            )
            expected.append(("knee", law.knee, springs.preload, "the preload"))
        for name, value, nominal, words in expected:
            if abs(value - nominal) > LAW_TOLERANCE * nominal:
                of = LENGTH if name == "knee" else STIFFNESS
                yield Finding(
                    (*path, name),
                    f"{of(value):.4g}{of} is more than {LAW_TOLERANCE:.0%} from "
                    f"{words}, {of(nominal):.4g}{of}",
                    "calibrate again, or correct actuator.springs",
                )
        if law.outer_rate > law.inner_rate:
            yield Finding(
                (*path, "outer_rate"),
                "above the inner rate",
                "a set that goes slack makes the springs softer; swap the two",
            )
        return
    most = profile.limits.deflection.tripped
    points = [most * (i / 100 - 1) for i in range(201)]
    forces = [force_at(law, point) for point in points]
    coefficients = (*path, "coefficients")
    falls = [p for p, (a, b) in zip(points, itertools.pairwise(forces), strict=False) if b <= a]
    if falls:
        where = falls[0]
        yield Finding(
            coefficients,
            f"the force does not increase near {mm_text(where)}",
            f"fit again so that it increases up to ±{mm_text(most)}",
        )
        return
    if abs(law.coefficients[0]) > 0.02 * profile.limits.force.limited:
        yield Finding(
            coefficients,
            f"{FORCE(law.coefficients[0]):.4g}{FORCE} at zero deflection",
            "put the zero into calibration.zero and leave the first coefficient near 0",
        )
    for point in (-most, most):
        knee = min(most, springs.preload)
        nominal = springs.rate_per_set * (most + knee)
        force = force_at(law, point)
        if abs(abs(force) - nominal) > LAW_TOLERANCE * nominal:
            yield Finding(
                coefficients,
                f"{FORCE(force):.4g}{FORCE} at {mm_text(point)} is more than {LAW_TOLERANCE:.0%} from "
                f"the springs' {FORCE(nominal):.4g}{FORCE}",
                f"calibrate again, or correct actuator.springs; deflection is in {LENGTH.key}",
            )
            return


def _uncertainty(profile: Profile) -> Iterator[Finding]:
    calibration, force = profile.calibration, profile.limits.force.limited
    absolute, relative = calibration.absolute_uncertainty, calibration.relative_uncertainty
    expanded = 2 * math.hypot(absolute, relative * force)
    if expanded > 0.25 * force:
        yield Finding(
            ("calibration", "absolute_uncertainty"),
            f"±{FORCE(expanded):.3g}{FORCE} (k = 2) at {FORCE(force):.4g}{FORCE}: this is not a measurement",
            "calibrate again; both values are standard uncertainties",
        )
    # Standard uncertainty of one count: a rectangular distribution (JCGM 100:2008, F.2.2.1).
    count = abs(calibration.deflection_per_count)
    least = abs(force_at(calibration.spring_law, count) - force_at(calibration.spring_law, 0.0))
    if absolute < least / math.sqrt(12):
        yield Finding(
            ("calibration", "absolute_uncertainty"),
            f"{FORCE(absolute):.3g}{FORCE} is less than one count of the sensor allows "
            f"({FORCE(least / math.sqrt(12)):.3g}{FORCE})",
            "state at least that",
            "warning",
        )


def _control(profile: Profile) -> Iterator[Finding]:
    control = profile.control
    # Five samples per period of the bandwidth leave too little phase (common practice, no source);
    # ten are usual.
    if control.force_bandwidth > control.rate / 5:
        yield Finding(
            ("control", "force_bandwidth"),
            f"{control.force_bandwidth:.4g} Hz is too high for a rate of {control.rate:.4g} Hz",
            f"ask at most {control.rate / 10:.4g} Hz",
        )
    elif control.force_bandwidth > control.rate / 10:
        yield Finding(
            ("control", "force_bandwidth"),
            f"{control.force_bandwidth:.4g} Hz is high for a rate of {control.rate:.4g} Hz",
            f"ask at most {control.rate / 10:.4g} Hz",
            "warning",
        )


def _simulation(profile: Profile) -> Iterator[Finding]:
    simulation, supply = profile.simulation, profile.limits.supply
    if simulation is not None and not supply.low < simulation.supply < supply.high:
        yield Finding(
            ("simulation", "supply"),
            f"{simulation.supply:.4g} V is outside limits.supply "
            f"({supply.low:.4g} V to {supply.high:.4g} V)",
            "correct one of the two",
        )
