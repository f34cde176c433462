"""Force and speed: lifting and lowering, four quadrants, power, efficiency, back-driving force."""

from __future__ import annotations

import math

import numpy as np

from drivers.base import PowerStage
from drivers.motion import SPEED
from hil.bringup import make_safe
from hil.control import driven_current_A, passive_bounds
from hil.core import Waveform
from hil.measure.characteristic import (
    TORQUE_SHARE,
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    Window,
    cut,
    mean_u95,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    balanced_in_the_middle,
    envelope,
    mark,
    middle_m,
    move_to,
    under_power,
)
from hil.measure.held_weights import rod_force, supply_sag
from hil.measure.loop_prediction import FRICTION_KNOWN
from hil.measure.move_prediction import predicted_move
from hil.measure.truth import MOTOR_POWER, SUPPLY_POWER
from hil.measure.weight_moves import lasts_s, way_m, weights_lifted
from hil.procedures import Hand, Hang, Pause, Push
from hil.profile import Profile, arm_ratio, rig_parameters
from hil.recorder import RunError

LIFTS = 4
SPEED_SAMPLES = 20
PEAK_SAMPLES = 25  # either side of the highest power
SHAKE_Hz, SHAKES = 1.5, 5
SHAKE_SPEED = 0.5  # of the limit
STIFF = 0.5  # of the passive bound: the spring that shakes the balanced lever
PUSH_Hz, PUSHES = 0.2, 3
PUSH_FACTOR = 2.2  # of the back-driving force expected from the profile
MOVED_COUNTS = 4.0  # of the motor sensor: the nut is driven back
SEEN_S = 0.01  # until a nut that slips has moved by a count; judged on one simulated rig
# Of a drive's own supply current measurement, expanded: common practice, no source.
SUPPLY_SHARE, SUPPLY_OFFSET_A = 0.02, 0.03
RESISTANCE_KNOWN = (
    0.06  # of the winding: manufacturer's tolerance and heat; common practice, no source
)


def _back_driving_N(profile: Profile) -> float:
    """Return the force at the rod that drives the screw back without torque, η_b·F = R."""
    actuator = profile.actuator
    dry = max(actuator.friction.breakaway, actuator.friction.coulomb)
    return dry * actuator.radians_per_metre / max(actuator.transmission.efficiency_backward, 0.05)


def _run(profile: Profile) -> Part:
    travel, limits = profile.limits.travel, profile.limits
    yield from balanced_in_the_middle(profile)
    push = PUSH_FACTOR * _back_driving_N(profile) / arm_ratio(profile.rig)
    yield Push(push, PUSH_Hz, PUSHES / PUSH_Hz)
    yield from mark("begin push", {})
    yield Pause(PUSHES / PUSH_Hz)
    yield from mark("end push", {})
    yield Hand("let_load_go", "Take the hand off the lever.")

    yield from under_power(envelope(profile), "The balanced lever is shaken")
    yield from move_to(profile, middle_m(profile))
    swing = SHAKE_SPEED * limits.speed.limited / (2 * math.pi * SHAKE_Hz)
    lasts = SHAKES / SHAKE_Hz
    stiffness = STIFF * min(passive_bounds(profile)[:2])
    yield from apply(
        Waveform(
            shape="sine",
            of="rest",
            offset=middle_m(profile),
            amplitude=min(swing, 0.35 * (travel.upper - travel.lower)),
            frequency_Hz=SHAKE_Hz,
            duration_s=lasts + 1.0,
            stiffness_N_m=stiffness,
            damping_N_s_m=0.01 * stiffness,
        )
    )
    yield from mark("begin shake", {})
    yield Pause(lasts)
    yield from mark("end shake", {})
    half = 0.5 * way_m(profile)
    low, high = middle_m(profile) - half, middle_m(profile) + half
    yield from move_to(profile, low)
    for mass, _force, speed in weights_lifted(profile):
        yield from make_safe()
        yield Hand("free_load", "Remove the counterweight: the lever sinks to its end stop.")
        yield Hang(mass)
        yield from under_power(envelope(profile), f"{mass:g} kg is lifted and lowered")
        yield from move_to(profile, low)
        for _ in range(LIFTS):
            for name, to in (("lift", high), ("lower", low)):
                yield from mark(f"begin {name}", {"weight_kg": mass})
                yield from move_to(profile, to, speed / limits.speed.limited)
                yield from mark(f"end {name}", {})
    yield from make_safe()
    yield Hand("support_load", "Take the weight off and balance the lever again.")
    yield Hang(0.0)


def supply_reported(run: RecordedRun) -> bool:
    """Return whether the drive reported the current that it takes from the supply."""
    try:
        current = np.asarray(run.column("supply_A"), dtype=float)
    except (RunError, KeyError):  # recorded before this column existed
        return False
    return bool(np.any(np.isfinite(current)))


def electrical_W(run: RecordedRun, part: Window, profile: Profile) -> Floats:
    """Return the electrical power: V·I of the supply if reported, else at the motor's terminals.

    The latter is an estimate, τ·ω + R·i², from the stated torque constant and resistance, corrected
    for the motor's heat (copper, 0.39 % per kelvin). With a simulated rig's true states both are
    exact.
    """
    reported = supply_reported(run)
    exact = getattr(run, "true", {}).get(SUPPLY_POWER if reported else MOTOR_POWER)
    if exact is not None:
        return np.asarray(exact[part.begin : part.end])
    if reported:
        return np.nan_to_num(cut(run, part, "supply_V") * cut(run, part, "supply_A"))
    motor = profile.actuator.motor
    torque = cut(run, part, "measured_torque_N_m")
    speed = profile.actuator.radians_per_metre * cut(run, part, "nut_velocity_m_s")
    warm = 1 + 0.0039 * motor.winding_rise * cut(run, part, "motor_heat")
    current = torque / motor.torque_constant
    return np.asarray(torque * speed + motor.winding_resistance * warm * current**2)


def _peak(power: Floats) -> float:
    """Return the peak of a parabola about the highest value, which noise alone lifts above it."""
    top = int(np.argmax(power))
    near = np.arange(max(0, top - PEAK_SAMPLES), min(len(power), top + PEAK_SAMPLES + 1)) - top
    return float(np.max(np.polyval(np.polyfit(near, power[near + top], 2), near)))


def _rest_W(run: RecordedRun) -> float | None:
    """Return the drive's own consumption with its power stage off; None if not reported."""
    if not supply_reported(run):
        return None
    off = np.asarray(run.column("power_stage")) == PowerStage.OFF
    power = np.asarray(run.column("supply_V"), float) * np.asarray(run.column("supply_A"), float)
    return float(np.nanmedian(power[off])) if np.any(np.isfinite(power[off])) else 0.0


def _energies(
    run: RecordedRun, name: str, profile: Profile, mass_kg: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return (mechanical J, electrical J, its u95 in J, peak mechanical W) of a weight's moves."""
    rows = []
    motor = profile.actuator.motor
    reported = supply_reported(run)
    for part in windows(run, name):
        if part.values["weight_kg"] != mass_kg:
            continue
        t, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        position = cut(run, part, "output_position_m")
        # Speed over 20 periods: the estimated one lags behind the force.
        far = SPEED_SAMPLES
        speed = (position[far:] - position[:-far]) / (t[far:] - t[:-far])
        power = speed * force[far // 2 : -far // 2]
        electrical = electrical_W(run, part, profile)
        if reported:
            volts = cut(run, part, "supply_V")
            unsure = np.hypot(SUPPLY_SHARE * electrical, SUPPLY_OFFSET_A * volts)
        else:
            current = cut(run, part, "measured_torque_N_m") / motor.torque_constant
            loss = motor.winding_resistance * current**2
            # With the torque, shaft power grows in proportion and the loss with the square.
            unsure = np.hypot(RESISTANCE_KNOWN * loss, TORQUE_SHARE * (electrical + loss))
        sign = 1.0 if name == "lift" else -1.0
        rows.append(
            (
                float(np.trapezoid(force, position)),
                float(np.trapezoid(electrical, t)),
                float(np.trapezoid(unsure, t)),
                sign * _peak(sign * power),
            )
        )
    if len(rows) < 2:
        raise ValueError("the moves were not recorded")
    table = np.array(rows)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    found = [_back_driving(run, profile)]
    rest_W = _rest_W(run)
    if rest_W is None:
        notes = [
            "Electrical power is an estimate at the motor's terminals, from torque, speed and "
            "winding resistance: the drive reports no supply current."
        ]
    else:
        notes = [
            "Electrical power is that of the supply, voltage times current as the drive reports "
            f"them: the drive's own consumption is included ({rest_W:.1f} W with power off)."
        ]
    weights = weights_lifted(profile)
    for mass, force, speed in weights:
        found.append(rod_force(run, profile, mass, force))
        found += _of_weight(run, profile, mass, speed, rest_W)
    if weights:
        found.append(supply_sag(run, profile, rest_W or 0.0))
    else:
        notes.append("Force and speed: no weight of the profile can be lifted within the limits.")
    return Evaluation(tuple(found), (_quadrants(run, profile),), tuple(notes))


def _of_weight(
    run: RecordedRun, profile: Profile, mass: float, speed: float, rest_W: float | None
) -> list[Characteristic]:
    conditions = f"{mass:g} kg on the lever, moves of {SPEED(speed):.0f}{SPEED} peak"
    relative = 2 * profile.calibration.relative_uncertainty
    figures = []
    source, causes = "is an estimate at the motor", "winding resistance"
    if rest_W is not None:
        source, causes = "is V·I of the supply, as the drive reports it", "losses of the drive"
    causes = f"screw, dry friction, torque constant, {causes}"
    for name, title in (
        ("lift", "Efficiency while lifting, motor to output"),
        ("lower", "Efficiency while lowering, output to motor"),
    ):
        work, electrical, unsure, power = _energies(run, name, profile, mass)
        lifting = name == "lift"
        each = work / electrical if lifting else electrical / work
        known = unsure / np.abs(electrical)
        # An error of the force's zero counts as its work over the way.
        offset = 2 * profile.calibration.absolute_uncertainty * way_m(profile) / np.abs(work)
        systematic = abs(float(np.mean(each))) * math.hypot(
            relative + float(np.mean(known)), float(np.mean(offset))
        )
        value, u95 = mean_u95(each, systematic)
        expected = predicted_move(profile, mass, speed, 1.0 if lifting else -1.0, rest_W or 0.0)
        figures.append(
            Characteristic(
                f"force_speed.efficiency_{name}ing_{mass:g}_kg",
                f"{title}, {mass:g} kg",
                value,
                u95,
                "1",
                *expected.efficiency,
                conditions=f"{conditions}; electrical power {source}"
                + (
                    ""
                    if lifting or value > 0.0
                    else "; efficiency below 0: lowering consumes power"
                ),
                causes=causes,
            )
        )
        if lifting:
            # An error of the force's zero is worth its power at the move's speed.
            zero = 2 * profile.calibration.absolute_uncertainty * speed
            value, u95 = mean_u95(power, math.hypot(relative * float(np.mean(power)), zero))
            figures.append(
                Characteristic(
                    f"force_speed.power_{mass:g}_kg",
                    f"Peak power at the output, {mass:g} kg lifted",
                    value,
                    u95,
                    "W",
                    *expected.peak_W,
                    conditions=conditions,
                    causes="the position loop, which overshoots during the move; mass of the lever",
                )
            )
    return figures


def _back_driving(run: RecordedRun, profile: Profile) -> Characteristic:
    lead = profile.actuator.transmission.lead
    count = lead / profile.sensors.motor.counts_per_revolution
    expected = _back_driving_N(profile)
    rate = 2 * math.pi * PUSH_Hz * PUSH_FACTOR * expected
    forces = []
    for part in windows(run, "push"):
        nut, force = cut(run, part, "nut_position_m"), cut(run, part, "spring_force_N")
        half = round(0.5 / PUSH_Hz * profile.control.rate)
        for n in range(2 * PUSHES):
            here = slice(n * half, (n + 1) * half)
            x, f = nut[here], force[here]
            # A push into the rod compresses the springs, and their force drives the nut away.
            moved = np.nonzero(np.abs(x - x[0]) > MOVED_COUNTS * count)[0]
            if not len(moved):
                continue
            before = np.nonzero(np.abs(x[: moved[0]] - x[0]) < 0.5 * count)[0]
            i = int(before[-1])
            forces.append(abs(float(np.mean(f[max(0, i - 20) : i + 1]))))
    if len(forces) < 3:
        raise ValueError(
            "the screw was not driven back by hand. Fix: push harder, unless it is self-locking"
        )
    # The mean of the last 20 samples lags behind the force at that moment.
    late = rate * (SEEN_S - 0.01)
    value, u95 = mean_u95(
        np.array(forces) - late,
        math.hypot(2 * profile.calibration.absolute_uncertainty, 0.5 * rate * SEEN_S),
    )
    return Characteristic(
        "force_speed.back_driving",
        "Force that drives the screw back, power off",
        value,
        u95,
        "N",
        expected,
        FRICTION_KNOWN * expected,
        conditions="balanced lever pushed slowly by hand, both ways, windings without power",
        causes="dry friction, efficiency of the screw backward",
    )


def _quadrants(run: RecordedRun, profile: Profile) -> Diagram:
    actuator, limits = profile.actuator, profile.limits
    per_metre = actuator.radians_per_metre
    speed = np.linspace(-1.3, 1.3, 131) * limits.speed.limited
    bounds = []
    for sense in (1.0, -1.0):
        amperes = np.array(
            [
                min(
                    limits.current.limited,
                    driven_current_A(profile, limits.supply.low, sense * float(v)),
                )
                for v in speed
            ]
        )
        torque = actuator.motor.torque_constant * amperes - actuator.friction.coulomb
        screw = actuator.transmission
        gain = np.where(sense * speed > 0, screw.efficiency_forward, 1.0)
        bounds.append(sense * np.maximum(torque, 0.0) * per_metre * gain)
    force, v = limits.force.limited, limits.speed.limited
    box = np.array([[-v, -force], [v, -force], [v, force], [-v, force], [-v, -force]])
    lines = [
        Line("current and supply", 1e3 * speed, bounds[0], "predicted"),
        Line("the same, pulling", 1e3 * speed, bounds[1], "predicted"),
        Line("limits", 1e3 * box[:, 0], box[:, 1], "limit"),
    ]
    for name, label in (("lift", "lifted"), ("lower", "lowered"), ("shake", "shaken")):
        parts = windows(run, name)
        if parts:
            x = np.concatenate([cut(run, p, "output_velocity_m_s") for p in parts])
            y = np.concatenate([cut(run, p, "spring_force_N") for p in parts])
            step = max(1, len(x) // 300)
            lines.append(Line(label, 1e3 * x[::step], y[::step], points=True, joined=False))
    return Diagram("Four quadrants", "speed (mm/s)", "force (N)", tuple(lines))


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    dry = max(p.friction_breakaway_N_m, p.friction_coulomb_N_m)
    return {
        "force_speed.back_driving": dry
        * 2
        * math.pi
        / p.screw_lead_m
        / max(p.screw_efficiency_backward, 0.05)
    }


TEST = GuardedTest(
    key="force_speed",
    title="Force and speed",
    purpose="power and efficiency lifting and lowering, four quadrants, back-driving force",
    risk="Weights are lifted and lowered nearly as fast as permitted; keep clear below the lever.",
    fitting=("lever free", "weights"),
    lasts_s=lambda profile: (
        12.0
        + PUSHES / PUSH_Hz
        + SHAKES / SHAKE_Hz
        + sum(6.0 + 2 * LIFTS * (lasts_s(profile, s)) for _m, _f, s in weights_lifted(profile))
    ),
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
