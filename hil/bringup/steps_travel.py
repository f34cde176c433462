"""Travel: both ends found by force, friction over the stroke, and regeneration in braking."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from drivers.motion import LENGTH, SPEED
from hil.bringup.drive_loop import measure_drive_loop
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Result, Step
from hil.bringup.travel_friction import ENDS_LEFT_M, end_m, judge_friction, over_travel
from hil.bringup.under_power import (
    Gentle,
    RunData,
    findings_as_text,
    gentle,
    go_to,
    power_up,
    run,
    seek_end,
)
from hil.core import MotorSpeed, MotorTorque, SeekReference
from hil.procedures import (
    Action,
    BenchStopped,
    ProcedureFailed,
    Seen,
    column,
    restart,
    seek_reference,
)

STROKE_OFF_M = 0.001  # ends yield by microns under these forces; the encoder errs by less
STROKE_OFF_SHARE = 0.02
TOUCHES = 4  # for the reference
SOFT_END_OFF_M = 0.0005
FAST_M_S = 0.03  # in mid-stroke only: enough energy in the rotor to make braking visible
FAST_TRAVEL = 0.4  # of the stroke
FAST_FROM = 0.25  # of the travel: settled by then
# A supply that absorbs power rises by its resistance times a fraction of an ampere; a capacitor
# alone stays charged.
RISE_SHARE = 0.005


@findings_as_text
def _travel(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("travel")
    g = gentle(context.profile)
    yield from power_up(
        g.envelope(g.seeking_N_m, 0.02), "Travel: slowly to the lower end, to the upper and back"
    )
    low = yield from seek_end(g, -1)
    if not _is_end(result, g, low):
        return result
    up = yield from seek_end(g, 1)
    if not _is_end(result, g, up):
        return result
    down = yield from seek_end(g, -1)
    if not _is_end(result, g, down):
        return result
    low_m, high_m = end_m(down), end_m(up)
    _judge_stroke(context, result, g, low_m, high_m)
    friction = judge_friction(context, result, g, up, down)
    if result.findings:
        return result
    shift_m = yield from _mark_reference(context, result, g, low_m, high_m)
    low_m, high_m = low_m + shift_m, high_m + shift_m
    _propose_ends(context, result, g, low_m, high_m)
    yield from restart(
        g.envelope(1.5 * g.torque_N_m, 0.06), "Two quicker strokes about the middle, with braking"
    )
    yield from _quick(context, result, g, friction)
    if g.by_loop and not result.findings:
        yield from measure_drive_loop(context, result, g, 0.5 * (low_m + high_m))
    result.text = (
        f"stroke {LENGTH(high_m - low_m):.1f}{LENGTH}, friction {1e3 * friction:.0f} mN·m at the "
        "shaft"
    )
    return result


def _is_end(result: Result, g: Gentle, ran: RunData) -> bool:
    """Return whether the springs indicate an end; otherwise add a finding on the cause."""
    if ran.reason in ("force", "blocked") and ran.pressed_N > g.touch_N:
        return True
    at = float(ran.of("nut_position_m")[-1])
    result.plots.append(over_travel("Torque where the nut stopped", ran))
    if ran.reason == "blocked":
        result.findings.append(finding("screw_stiff_spot", at_mm=1e3 * at, torque_Nm=g.seeking_N_m))
    elif ran.reason == "force":
        result.findings.append(finding("deflection_noisy", at_mm=1e3 * at, peak_N=ran.force_N))
    elif ran.reason == "travel":
        result.findings.append(finding("stroke_long", moved_mm=1e3 * abs(ran.moved_m)))
    elif ran.reason != "speed":
        raise ProcedureFailed(
            f"no end was met ({ran.reason or 'the run did not end'}), the nut at "
            f"{LENGTH(at):.1f}{LENGTH}: look for what delays the bench or the screw, and repeat"
        )
    else:
        result.findings.append(finding("commutation_wrong", at_mm=1e3 * at, note=ran.reason))
    return False


def _judge_stroke(context: Context, result: Result, g: Gentle, low_m: float, high_m: float) -> None:
    stroke = high_m - low_m
    allowed = max(STROKE_OFF_M, STROKE_OFF_SHARE * g.stroke_m)
    good = abs(stroke - g.stroke_m) < allowed
    result.measured += [
        Measured(
            "stroke",
            1e3 * stroke,
            "mm",
            f"{LENGTH(g.stroke_m):.1f} ± {LENGTH(allowed):.1f}{LENGTH}",
            "actuator.stroke; both ends by the force of the springs",
            good,
        ),
        Measured(
            "lower end",
            1e3 * low_m,
            "mm",
            f"0 ± {LENGTH(allowed):.1f}{LENGTH}",
            "positions count from it",
            abs(low_m) < allowed,
        ),
    ]
    if good and abs(low_m) >= allowed:
        result.findings.append(finding("reference_wrong", lower_mm=1e3 * low_m))
        return
    if not good:
        code = "end_stop_inside" if stroke < g.stroke_m else "stroke_long"
        result.findings.append(
            finding(code, stroke_mm=1e3 * stroke, lower_mm=1e3 * low_m, upper_mm=1e3 * high_m)
        )
        return


def _mark_reference(
    context: Context, result: Result, g: Gentle, low_m: float, high_m: float
) -> Generator[Action, Seen, float]:
    """Touch the lower end and set zero there; return the shift of zero in m.

    Raises:
        ProcedureFailed: it was not found there.
    """
    if context.profile.sensors.motor.reference == "absolute":
        return 0.0
    yield from go_to(g, low_m + ENDS_LEFT_M)
    found = yield from seek_reference(
        context.profile,
        SeekReference(end="lower", touches=TOUCHES, other_end_m=high_m),
        "The reference: the lower end is touched four times",
        g.envelope(g.seeking_N_m, 4.0 * g.speed_m_s),
    )
    result.measured += [
        Measured(
            "lower end, touched again",
            1e3 * (low_m + found.shift_m),
            "mm",
            f"0 ± {LENGTH(STROKE_OFF_M):.1f}{LENGTH}",
            "zero of positions is set there",
            abs(low_m + found.shift_m) < STROKE_OFF_M,
        ),
        Measured(
            "repeatability of the reference",
            1e6 * found.repeatability_m,
            "um",
            f"R = 4 s of {TOUCHES} touches",
            "unidirectional, by ISO 230-2 (from memory); a touch that scatters fails",
        ),
    ]
    return found.shift_m


def _propose_ends(context: Context, result: Result, g: Gentle, low_m: float, high_m: float) -> None:
    """Keep the positions of the ends, and propose soft ends from them."""
    context.known |= {"stroke_low_m": low_m, "stroke_high_m": high_m}
    # Soft ends keep the distance to the ends that the profile intends.
    travel = context.profile.limits.travel
    for name, soft, wanted in (
        ("lower", travel.lower, low_m + travel.lower),
        ("upper", travel.upper, high_m - (g.stroke_m - travel.upper)),
    ):
        if abs(wanted - soft) > SOFT_END_OFF_M:
            result.changes[f"limits.travel.{name}"] = LENGTH.written(wanted, ".1f")


def _quick(
    context: Context, result: Result, g: Gentle, slow_friction: float
) -> Generator[Action, Seen, None]:
    """Run two quicker strokes: friction that grows with speed, and the supply while braking."""
    speed = min(FAST_M_S, context.profile.limits.speed.limited)
    torques = []
    rises = []
    try:
        for sense in (1, -1):
            request = MotorSpeed(
                speed_m_s=sense * speed,
                torque_N_m=1.4 * g.torque_N_m,
                duration_s=4.0,
                travel_m=FAST_TRAVEL * g.stroke_m * (1.0 if sense > 0 else 0.7),
                force_N=g.leave_N,
            )
            # A drive's own loop brakes by itself where the run ends.
            quick = yield from run(request, 0.2 if g.by_loop else 0.001)
            nut, velocity = quick.of("nut_position_m"), quick.of("nut_velocity_m_s")
            settled = (np.abs(nut - nut[0]) > FAST_FROM * abs(quick.moved_m)) & (
                sense * velocity > 0.8 * speed
            )
            if np.any(settled):
                torques.append(sense * float(np.mean(quick.of("measured_torque_N_m")[settled])))
            before = float(np.median(quick.of("supply_V")))
            if g.by_loop:
                brake = quick
            else:
                brake = yield from run(_brake(g, sense, float(velocity[-1])), 0.15)
            rises.append(float(np.max(brake.of("supply_V"))) - before)
    except BenchStopped as stop:
        volts = column(stop.seen.rows, "supply_V")
        if (len(volts) and "voltage too high" in str(stop)) or stop.cause == "Supply high":
            result.findings.append(
                finding("regeneration_not_taken", note=str(stop), peak_V=float(np.max(volts)))
            )
            return
        raise
    allowed = RISE_SHARE * after_supply(context)
    rise = max(rises)
    result.measured.append(
        Measured(
            "rise of the supply while braking",
            rise,
            "V",
            f"below {allowed:.2f} V",
            "a supply that absorbs power keeps its voltage",
            rise < allowed,
        )
    )
    if rise >= allowed:
        result.findings.append(finding("regeneration_not_taken", rise_V=rise))
    if len(torques) == 2:
        more = 0.5 * sum(torques) - slow_friction
        viscous = more / ((speed - g.speed_m_s) * g.per_torque)
        result.measured.append(
            Measured(
                "friction that grows with speed",
                viscous,
                "N·m·s/rad",
                f"about {context.profile.actuator.friction.viscous:.1e} N·m·s/rad",
                f"from {SPEED(g.speed_m_s):.0f} to {SPEED(speed):.0f}{SPEED}; so slow it is rough",
            )
        )


def _brake(g: Gentle, sense: int, velocity_m_s: float) -> MotorTorque:
    """Return a torque just long enough to bring the rotor to rest, with friction's help."""
    actuator = g.profile.actuator
    torque = 1.5 * g.torque_N_m
    momentum = actuator.reflected_mass * abs(velocity_m_s)
    force = (torque + 0.7 * g.breakaway_N_m) * g.per_torque
    return MotorTorque(
        torque_N_m=-sense * torque,
        ramp_s=0.0,
        duration_s=max(0.9 * momentum / force, 0.003),
        speed_m_s=0.055,
        travel_m=0.1 * g.stroke_m,
        force_N=g.leave_N,
    )


def after_supply(context: Context) -> float:
    """Return the supply voltage as measured, or the middle of the profile's limits."""
    measured = context.known.get("supply_V", math.nan)
    supply = context.profile.limits.supply
    return measured if measured == measured else 0.5 * (supply.low + supply.high)


TRAVEL = Step(
    key="travel",
    title="Travel and friction",
    happens="The nut moves slowly to the lower end until the springs register it, then to the upper "
    "end and back. The lower end is touched four more times: zero of positions is set there. "
    "Then follow two quicker strokes about the middle, with braking. Over a drive that takes velocity "
    "or position the nut is then shaken by some ten micrometres in the middle, which measures the "
    "drive's own loop.",
    wrong="An obstacle may be within the stroke, or the screw may be stiff at one place; both "
    "stop the run. Braking may raise the supply voltage.",
    clear="The whole stroke of the output, hands included. No weight on the rod.",
    run=_travel,
    energises=True,
    needs=("first_motion",),
    recheck_on_resume=True,  # another rig host has another zero
)
