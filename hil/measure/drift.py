"""Drift of the force reading over an hour, output blocked and power off."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import FORCE, LENGTH
from hil.control import ForceCalibration
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Line,
    RecordedRun,
    cut,
    students_factor,
    windows,
)
from hil.measure.guarded import GuardedTest, Part, blocked_in_the_middle, mark
from hil.measure.resolution import count_N
from hil.procedures import Hand, Note, Pause
from hil.profile import Profile, rig_parameters

HOUR_S = 3600.0
PIECE_S = 5.0  # of the pause: its samples are kept in memory until it ends
BLOCK_S = 60.0
FITTED = 12  # blocks of five minutes: wander within them counts as scatter
MOVED_COUNTS = 2.0  # of the motor sensor: the screw has turned and changed the springs' compression


def _run(profile: Profile) -> Part:
    yield from blocked_in_the_middle(profile)
    yield Note("Power stays off for an hour: do not touch the rig, and leave the room as it is.")
    yield from mark("begin drift", {})
    for _ in range(round(HOUR_S / PIECE_S)):
        yield Pause(PIECE_S)
    yield from mark("end drift", {})
    yield Hand("let_output_go", "Take the clamp off the output.")


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    parts = windows(run, "drift")
    if not parts:
        raise ValueError("the hour was not recorded")
    time_s, force = cut(run, parts[0], "time_s"), cut(run, parts[0], "spring_force_N")
    nut = cut(run, parts[0], "nut_position_m")
    count_m = profile.actuator.transmission.lead / profile.sensors.motor.counts_per_revolution
    if float(np.ptp(nut)) > MOVED_COUNTS * count_m:
        raise ValueError(
            f"the motor turned by {LENGTH(float(np.ptp(nut))):.3f}{LENGTH} of nut travel during the hour. "
            "Fix: clamp the output where no force is left on it"
        )
    lasted_s = float(time_s[-1] - time_s[0])
    at = np.array([np.mean(block) for block in np.array_split(time_s, FITTED)])
    means = np.array([np.mean(block) for block in np.array_split(force, FITTED)])
    fit, covariance = np.polyfit(at - at.mean(), means, 1, cov=True)
    factor = students_factor(FITTED - 2)
    figure = Characteristic(
        "drift.hour",
        "Drift of the force reading in an hour",
        HOUR_S * float(fit[0]),
        HOUR_S * factor * math.sqrt(float(covariance[0, 0])),
        "N/h",
        0.0,
        count_N(profile, 0.0),  # of a sensor that does not wander by a count
        conditions=(
            f"output blocked, {FORCE(float(np.mean(force))):.0f}{FORCE}, "
            f"power off for {lasted_s / 60:.0f} min"
        ),
        causes="warming of the deflection sensor and its supply, creep of its mount",
    )
    minutes = max(FITTED, round(lasted_s / BLOCK_S))
    after = np.array([np.mean(b) for b in np.array_split(time_s, minutes)]) - time_s[0]
    each = np.array([np.mean(b) for b in np.array_split(force, minutes)])
    line = np.polyval(fit, after + time_s[0] - at.mean())
    diagram = Diagram(
        "Force reading over an hour",
        "time (min)",
        "mean of a minute (N)",
        (Line("measured", after / 60, each, points=True), Line("straight line", after / 60, line)),
    )
    return Evaluation((figure,), (diagram,))


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    per_count = p.sensor_span_m / 2**p.sensor_bits / p.sensor_scale
    stiffness = ForceCalibration(profile.calibration, profile.sensors.deflection).stiffness(0.0)
    sign = math.copysign(1.0, profile.calibration.deflection_per_count)
    return {"drift.hour": sign * stiffness * per_count * HOUR_S * p.sensor_drift_counts_per_s}


TEST = GuardedTest(
    key="drift",
    title="Drift over an hour",
    purpose="drift of the force reading over an hour, by the minute",
    risk="A motion to mid-travel, then none: power is off for the hour.",
    fitting=("output blocked",),
    lasts_s=lambda _profile: 4.0 + HOUR_S,
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
    on_request=True,
)
