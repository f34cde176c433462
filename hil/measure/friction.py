"""Friction over the travel, lever free: break-away, dry and viscous friction, ripple over the turn."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import SPEED
from hil.bringup import run_open_loop
from hil.core import Commission, MotorSpeed, MotorTorque
from hil.measure.characteristic import (
    TORQUE_SHARE,
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    cut,
    mean_u95,
    students_factor,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    balanced_in_the_middle,
    envelope,
    mark,
    under_power,
)
from hil.procedures import Pause
from hil.profile import Profile, rig_parameters

SPEEDS_M_S = (0.012, 0.03)
PLACES = 5
SPAN = 0.7  # of the travel
TORQUE_FACTOR = 2.5  # of the stated break-away torque, at most
RAMP_S = 1.8
SEEN_S = 0.03  # until a screw that slips has moved by a count; judged on one simulated rig
MOVED_COUNTS = 4.0  # of the motor sensor: the nut has broken away
FORCE_SHARE = 0.35
RIPPLE_KNOWN = 0.1  # of the stated dry friction, of a straight screw; common practice, no source
STEADY = (0.4, 0.9)  # of the way of a slide: before and after it the nut accelerates
ORDERS = 8


def _breakaway_N_m(profile: Profile) -> float:
    friction = profile.actuator.friction
    motor = profile.actuator.motor
    rated = motor.torque_constant * motor.continuous_current
    return max(friction.breakaway, friction.coulomb, 0.01 * rated)


def _limits(profile: Profile) -> Commission:
    return envelope(profile, FORCE_SHARE, 0.5, closed=False)


def _slide(profile: Profile, speed_m_s: float, way_m: float) -> Part:
    limits = _limits(profile)
    yield from run_open_loop(
        MotorSpeed(
            speed_m_s=math.copysign(speed_m_s, way_m),
            torque_N_m=min(4 * _breakaway_N_m(profile), limits.torque_N_m),
            duration_s=abs(way_m) / speed_m_s + 2.0,
            travel_m=abs(way_m),
            force_N=limits.force_N,
        ),
        0.3,
    )


def _run(profile: Profile) -> Part:
    travel = profile.limits.travel
    span = SPAN * (travel.upper - travel.lower)
    limits = _limits(profile)
    yield from balanced_in_the_middle(profile)
    yield from under_power(limits, "The nut moves over its travel, the force loop open")
    yield from _slide(profile, SPEEDS_M_S[0], -0.5 * span)
    for speed in SPEEDS_M_S:
        for sense in (1.0, -1.0):
            yield from mark("begin slide", {"speed_m_s": sense * speed})
            yield from _slide(profile, speed, sense * span)
            yield from mark("end slide", {})
    for place in range(PLACES):
        if place:
            yield from _slide(profile, SPEEDS_M_S[0], span / (PLACES - 1))
        for sense in (1.0, -1.0):
            yield Pause(0.3)
            yield from mark("begin breakaway", {"sense": sense})
            yield from run_open_loop(
                MotorTorque(
                    torque_N_m=sense * TORQUE_FACTOR * _breakaway_N_m(profile),
                    ramp_s=RAMP_S,
                    duration_s=RAMP_S,
                    speed_m_s=0.05,
                    travel_m=0.0005,
                    force_N=limits.force_N,
                ),
                0.3,
            )
            yield from mark("end breakaway", {})


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    places, torques = _breakaways(run, profile)
    stated = profile.actuator.friction
    resolution = 1e3 * 0.001 * profile.actuator.motor.torque_constant
    resolution *= profile.actuator.motor.continuous_current
    ramp = 1e3 * TORQUE_FACTOR * _breakaway_N_m(profile) / RAMP_S
    # Twice the standard deviation of rounding to that step, independent in each reading.
    rounding = resolution / math.sqrt(3 * len(torques))
    value, spread = mean_u95(1e3 * torques - 0.5 * ramp * SEEN_S, rounding)
    spread = math.hypot(spread, 0.25 * ramp * SEEN_S, TORQUE_SHARE * value)
    slides = _slides(run, profile)
    dry, dry_u95, viscous, viscous_u95 = _dry_and_viscous(slides, profile)
    ripple, ripple_u95, orders = _ripple(slides, profile)
    conditions = f"lever free and balanced, {PLACES} places, both ways"
    sliding = "lever free and balanced, nut at " + " and ".join(
        f"{SPEED(speed):.0f}{SPEED}" for speed in SPEEDS_M_S
    )
    found = (
        Characteristic(
            "friction.breakaway",
            "Break-away torque of the screw",
            value,
            spread,
            "mN·m",
            1e3 * stated.breakaway,
            0.3e3 * stated.breakaway,
            conditions=conditions,
            causes="lubrication, alignment, preload of the nut",
        ),
        Characteristic(
            "friction.dry",
            "Dry friction of the screw while it turns",
            1e3 * dry,
            1e3 * math.hypot(dry_u95, TORQUE_SHARE * dry),
            "mN·m",
            1e3 * stated.coulomb,
            0.3e3 * stated.coulomb,
            conditions=sliding,
            causes="lubrication, alignment, preload of the nut",
        ),
        Characteristic(
            "friction.viscous",
            "Viscous friction of the screw",
            1e6 * viscous,
            1e6 * math.hypot(viscous_u95, TORQUE_SHARE * viscous),
            "µN·m·s",
            1e6 * stated.viscous,
            0.5e6 * stated.viscous,
            conditions=sliding,
            causes="lubrication, temperature",
        ),
        Characteristic(
            "friction.ripple_once_a_turn",
            "Friction ripple once a turn, amplitude",
            1e3 * ripple,
            1e3 * math.hypot(ripple_u95, TORQUE_SHARE * ripple),
            "mN·m",
            0.0,
            RIPPLE_KNOWN * 1e3 * stated.coulomb,
            conditions=sliding,
            causes="a bent screw, a nut or coupling out of line",
        ),
    )
    diagrams = (
        Diagram(
            "Break-away torque over position",
            "nut (mm)",
            "torque (mN·m)",
            (Line("measured", 1e3 * places, 1e3 * torques, points=True, joined=False),),
        ),
        Diagram("Friction over the turn", "order", "torque (mN·m)", (orders,)),
    )
    return Evaluation(found, diagrams)


def _breakaways(run: RecordedRun, profile: Profile) -> tuple[Floats, Floats]:
    """Return (nut position, size of the torque less that of the springs) at each break-away."""
    lead = profile.actuator.transmission.lead
    count = lead / profile.sensors.motor.counts_per_revolution
    per_force = lead / (2 * math.pi)
    rows = []
    for part in windows(run, "breakaway"):
        nut, torque = cut(run, part, "nut_position_m"), cut(run, part, "measured_torque_N_m")
        force, sense = cut(run, part, "spring_force_N"), part.values["sense"]
        moved = np.nonzero(sense * (nut - nut[0]) > MOVED_COUNTS * count)[0]
        if not len(moved):
            continue
        # The last sample at which it had not moved by a count.
        before = np.nonzero(np.abs(nut[: moved[0]] - nut[0]) < 0.5 * count)[0]
        i = int(before[-1])
        calm = slice(max(0, i - 20), i + 1)
        size = sense * (float(torque[i]) - per_force * float(np.mean(force[calm])))
        rows.append((float(nut[i]), size))
    if len(rows) < 3:
        raise ValueError("the nut did not break away. Fix: raise friction.breakaway in the profile")
    table = np.array(rows)
    return table[:, 0], table[:, 1]


def _slides(run: RecordedRun, profile: Profile) -> list[tuple[float, Floats, Floats, Floats]]:
    """Return (speed, nut, torque less that of the springs, nut velocity) of each steady slide."""
    screw = profile.actuator.transmission
    per_force = screw.lead / (2 * math.pi)
    found = []
    for part in windows(run, "slide"):
        speed = part.values["speed_m_s"]
        nut, velocity = cut(run, part, "nut_position_m"), cut(run, part, "nut_velocity_m_s")
        torque = cut(run, part, "measured_torque_N_m")
        force = cut(run, part, "spring_force_N")
        way = np.abs(nut - nut[0])
        steady = (way > STEADY[0] * np.max(way)) & (way < STEADY[1] * np.max(way))
        steady &= np.abs(velocity) > 0.5 * abs(speed)
        # The drag of the free lever acts through the screw, with its losses.
        against = math.copysign(1.0, speed) * force > 0
        gain = np.where(against, 1 / screw.efficiency_forward, screw.efficiency_backward)
        dry = torque - per_force * gain * force
        found.append((speed, nut[steady], dry[steady], velocity[steady]))
    if len(found) < 2 * len(SPEEDS_M_S) or min(len(s[1]) for s in found) < 50:
        raise ValueError("the slides were not recorded")
    return found


def _dry_and_viscous(
    slides: list[tuple[float, Floats, Floats, Floats]], profile: Profile
) -> tuple[float, float, float, float]:
    per_metre = profile.actuator.radians_per_metre
    parts: list[tuple[float, float]] = []
    for speed, _nut, torque, velocity in slides:
        sense = math.copysign(1.0, speed)
        for block in np.array_split(np.arange(len(torque)), 4):
            parts.append(
                (
                    per_metre * float(np.mean(np.abs(velocity[block]))),
                    sense * float(np.mean(torque[block])),
                )
            )
    table = np.array(parts)
    fit, covariance = np.polyfit(table[:, 0], table[:, 1], 1, cov=True)
    wider = students_factor(len(parts) - 2)
    return (
        float(fit[1]),
        wider * math.sqrt(float(covariance[1, 1])),
        float(fit[0]),
        wider * math.sqrt(float(covariance[0, 0])),
    )


def _ripple(
    slides: list[tuple[float, Floats, Floats, Floats]], profile: Profile
) -> tuple[float, float, Line]:
    """Return (amplitude once a turn, its uncertainty, order spectrum) of the slow slides."""
    per_metre = profile.actuator.radians_per_metre
    orders = np.arange(1, ORDERS + 1)
    found = []
    for speed, nut, torque, _velocity in slides:
        if abs(abs(speed) - SPEEDS_M_S[0]) > 1e-6:
            continue
        sense = math.copysign(1.0, speed)
        angle = per_metre * nut
        columns = [np.ones_like(angle), angle - angle.mean()]
        for order in orders:
            columns += [np.cos(order * angle), np.sin(order * angle)]
        fit, *_ = np.linalg.lstsq(np.column_stack(columns), sense * torque, rcond=None)
        found.append(fit[2::2] - 1j * fit[3::2])
    table = np.array(found)
    mean = np.mean(table, axis=0)
    # Both ways see the same friction; half their difference is the error of the mean.
    error = np.abs(table[0] - table[1]) / 2 if len(table) > 1 else np.abs(mean)
    noise = float(np.sqrt(np.mean(np.square(error))))
    line = Line("measured", orders.astype(float), 1e3 * np.abs(mean), points=True, joined=False)
    return float(np.abs(mean[0])), 2.0 * max(noise, float(error[0])), line


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    return {
        "friction.breakaway": 1e3 * p.friction_breakaway_N_m,
        "friction.dry": 1e3 * p.friction_coulomb_N_m,
        "friction.viscous": 1e6 * p.friction_viscous_N_m_s,
        "friction.ripple_once_a_turn": 1e3 * 0.5 * p.screw_runout_N_m,
    }


TEST = GuardedTest(
    key="friction",
    title="Friction over the travel",
    purpose="break-away over position, dry and viscous friction, ripple over the turn",
    risk="The nut moves the free lever over most of its travel, the force loop open.",
    fitting=("lever free",),
    lasts_s=lambda profile: (
        8.0
        + 2 * sum(SPAN * profile.actuator.stroke / speed + 0.5 for speed in SPEEDS_M_S)
        + 2 * PLACES * (RAMP_S + 0.8)
        + 2 * SPAN * profile.actuator.stroke / SPEEDS_M_S[0]
    ),
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
