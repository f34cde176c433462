"""First motion under power: nothing at zero torque, then just enough to move, then two turns."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from drivers.motion import LENGTH
from hil.bringup.findings import finding
from hil.bringup.manual_actions import by_turns
from hil.bringup.step import Context, Measured, Plot, Result, Step
from hil.bringup.under_power import (
    SUPPORT,
    Gentle,
    Part,
    RunData,
    findings_as_text,
    gentle,
    millimetres,
    run,
    trace,
    watch,
)
from hil.bringup.wrong_fields import (
    LOCKED_TURNS,
    RAMP_OVER,
    STILL_M,
    STRONGER,
    SWING_M_S,
    breakaway,
    onset,
    strayed,
    turned_turns,
    why_locked,
)
from hil.core import MotorSpeed
from hil.procedures import Action, BenchStopped, Hand, ProcedureFailed, Seen, restart

MOVED_COUNTS = 4.0  # encoder counts that are motion, not flicker
STUCK = 2.05  # of the stated break-away: above it, the next steps would not move the nut
TURNS = 2.0  # whole turns pass every pole pair, whatever their number
ROOM = 0.12  # of the stroke, above the lower end: start position
AGREE = 0.1
AGREE_BY_LOOP = 0.3  # a drive's own loop pushes on before the motion is seen: up to a fifth more
CURRENT_AGREES = 0.15
BEHIND_CYCLES = 2.0  # from a position to the one commanded ahead of it: command, interpolation
THROWN = ("Motor current", "Speed", "Force", "Deflection")  # what stops a rotor in a wrong field
STEADY = 0.7  # of the speed of the turns
SPEED_AGREES = {"velocity": 0.1, "position": 0.3}  # travel measures the position loop closer


@findings_as_text
def _first_motion(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("first_motion")
    g = gentle(context.profile)
    yield Hand("support_load", SUPPORT)
    yield from _to_the_start(g, result)
    if result.findings:
        return result
    try:
        yield from _power_on(g, result)
        if not result.findings:
            yield from _first_turns(context, g, result)
    except BenchStopped as stop:
        if not (g.by_loop and stop.cause in THROWN):
            raise
        # A rotor that a wrong field throws is met by the drive's own loop with all its current; so is
        # a position loop of twice the gain.
        note = f"stopped by {stop.cause.lower()}"
        result.findings.append(finding("first_motion_violent", note=note))
    return result


def _power_on(g: Gentle, result: Result) -> Generator[Action, Seen, None]:
    """Power on with nothing commanded: the motor must rest."""
    envelope = g.envelope(STRONGER * g.torque_N_m, SWING_M_S)
    yield from restart(envelope, "First motion: the nut moves a little, then two turns each way")

    zero = yield from watch(0.5)
    off_m = strayed(zero)
    result.measured.append(
        Measured(
            "motion with nothing commanded",
            1e3 * off_m,
            "mm",
            f"below {LENGTH(STILL_M):g}{LENGTH}",
            "power on and nothing commanded: friction, or the drive's own loop, must hold it",
            off_m < STILL_M,
        )
    )
    if off_m >= STILL_M:
        result.findings.append(finding("moves_uncommanded", moved_mm=1e3 * off_m))


def _first_turns(context: Context, g: Gentle, result: Result) -> Generator[Action, Seen, None]:
    """Break away each way, then two turns each way; what does not turn is named."""
    up = yield from breakaway(g, 1)
    down = yield from breakaway(g, -1)
    forth = yield from _turns(g, 1)
    turned = turned_turns(g, forth)
    if turned < LOCKED_TURNS and forth.reason != "force":
        back = yield from _turns(g, -1)
        if turned_turns(g, back) < LOCKED_TURNS and back.reason != "force":
            found = yield from why_locked(g)
            result.plots.append(_plot(forth, "The nut does not turn on"))
            result.findings.append(found)
            return
    else:
        back = yield from _turns(g, -1)
    result.plots.append(_plot(_joined(forth, back), "Two turns each way"))
    _judge_ends(g, result, forth, back)
    _judge_breakaway(g, context, result, up, down)
    _judge_turns(g, context, result, forth, back)
    result.text = (
        f"the nut breaks away at {context.known.get('breakaway_N_m', math.nan):.3f} N·m and turns "
        f"{turned_turns(g, forth):.1f} turns forth, {turned_turns(g, back):.1f} back"
    )


def _to_the_start(g: Gentle, result: Result) -> Generator[Action, Seen, None]:
    """Have the nut turned by hand to a position with room for two turns, away from the ends."""
    seen = yield from watch(0.1)
    nut = float(seen.of("nut_position_m")[-1])
    start = ROOM * g.stroke_m
    if abs(nut - start) < 0.05 * g.stroke_m:
        return
    hand = 1 if g.profile.actuator.transmission.hand == "right" else -1
    turns = (start - nut) / (hand * g.lead_m)
    yield Hand(
        "turn_screw",
        f"Bring the nut by hand to about {LENGTH(start):.0f}{LENGTH} from the lower end: turn the shaft "
        f"by {by_turns(turns)}.",
        turns,
    )
    seen = yield from watch(0.1)
    moved = float(seen.of("nut_position_m")[-1]) - nut
    if abs(moved) < 0.25 * abs(start - nut):
        result.findings.append(
            finding("nut_jammed", commanded_mm=1e3 * (start - nut), moved_mm=1e3 * moved)
        )


def _turns(g: Gentle, sense: int) -> Part:
    length = _length(g)
    request = MotorSpeed(
        speed_m_s=sense * g.speed_m_s,
        torque_N_m=RAMP_OVER * g.torque_N_m,
        duration_s=length / g.speed_m_s + 2.0,
        travel_m=length,
        force_N=g.leave_N,
    )
    return (yield from run(request, 0.3))


def _length(g: Gentle) -> float:
    """Return the length of two turns and a little, or as much as the stroke allows."""
    return min((TURNS + 0.1) * g.lead_m, 0.7 * g.stroke_m)


def _joined(*runs: RunData) -> RunData:
    return RunData(np.concatenate([ran.rows for ran in runs]))


def _plot(ran: RunData, title: str) -> Plot:
    time = ran.of("time_s")
    time = time - time[:1]
    return Plot(
        title,
        "time (s)",
        "nut (mm), torque (mN·m)",
        (
            trace("nut", time, 1e3 * ran.of("nut_position_m")),
            trace("torque", time, 1e3 * ran.of("measured_torque_N_m")),
        ),
    )


def _judge_ends(g: Gentle, result: Result, forth: RunData, back: RunData) -> None:
    """Name what ended the turns early, given that the rotor itself turned freely."""
    for ran in (forth, back):
        if ran.reason == "travel":
            continue
        at = float(ran.of("nut_position_m")[-1])
        turned = turned_turns(g, ran)
        if ran.reason == "force" and ran.pressed_N < g.touch_N:
            result.findings.append(finding("deflection_noisy", peak_N=abs(ran.force_N)))
        elif ran.reason == "force":
            result.findings.append(
                finding("end_stop_inside", at_mm=1e3 * at, force_N=abs(ran.force_N))
            )
        elif ran.reason == "blocked":
            result.findings.append(finding("screw_stiff_spot", at_mm=1e3 * at, turned_turns=turned))
        elif ran.reason == "speed":
            by_position = g.profile.control.source == "position"
            code = "position_loop_wrong" if by_position else "commutation_wrong"
            result.findings.append(finding(code, note="faster than commanded", turned_turns=turned))
        else:
            raise ProcedureFailed(
                f"the motor turned {turned:.2f} turns and then did not end by itself "
                f"({ran.reason or 'the run did not end'}): check what delays the bench or "
                "holds the screw, and repeat this step"
            )
        return


def _judge_breakaway(
    g: Gentle, context: Context, result: Result, up: RunData, down: RunData
) -> None:
    threshold = MOVED_COUNTS * g.lead_m / g.profile.sensors.motor.counts_per_revolution
    found = []
    for name, ran, sense in (("outward", up, 1), ("inward", down, -1)):
        torque, moved = onset(ran, threshold, g.by_loop)
        good = moved == sense
        result.measured.append(
            Measured(
                f"break-away {name}",
                abs(torque),
                "N·m",
                f"below {g.torque_N_m:.3f} N·m, the same way as the torque",
                f"the profile states {g.breakaway_N_m:.3f} N·m",
                good,
            )
        )
        if moved == -sense and not result.findings:
            result.findings.append(finding("motion_reversed", torque_Nm=torque))
        if good:
            found.append(abs(torque))
    stuck = bool(found) and max(found) > STUCK * g.breakaway_N_m
    if stuck and not result.findings:
        result.findings.append(
            finding("friction_high", breaks_away_Nm=max(found), stated_Nm=g.breakaway_N_m)
        )
    elif len(found) == 2:
        context.known["breakaway_N_m"] = sum(found) / 2
        stated = g.profile.actuator.friction.breakaway
        agrees = AGREE_BY_LOOP if g.by_loop else AGREE
        if stated and abs(context.known["breakaway_N_m"] / stated - 1) > agrees:
            result.changes["actuator.friction.breakaway"] = f"{sum(found) / 2:.3g} N*m"
    elif not result.findings:
        result.findings.append(finding("friction_high", commanded_Nm=g.torque_N_m))


def _judge_turns(
    g: Gentle, context: Context, result: Result, forth: RunData, back: RunData
) -> None:
    torques = []
    for name, ran in (("forth", forth), ("back", back)):
        nut, speed = ran.of("nut_position_m"), ran.of("nut_velocity_m_s")
        turns = turned_turns(g, ran)
        whole = min(TURNS, _length(g) / g.lead_m - 0.1)
        result.measured.append(
            Measured(
                f"turned {name}",
                turns,
                "turns",
                f"at least {whole:.1f}",
                "a wrong phase order or number of pole pairs holds the rotor within one turn",
                turns > whole,
            )
        )
        if len(nut) < 10:
            continue
        time = ran.of("time_s")
        summed = float(np.sum(speed[1:] * np.diff(time)))
        share = summed / ran.moved_m if abs(ran.moved_m) > STILL_M else math.nan
        result.measured.append(
            Measured(
                f"velocity summed over position {name}",
                share,
                "1",
                f"1 ± {AGREE}",
                "both come from the encoder; they differ if counts are lost",
                abs(share - 1) < AGREE,
            )
        )
        steady = np.abs(speed) > 0.7 * g.speed_m_s
        if np.any(steady):
            torques.append(float(np.mean(ran.of("measured_torque_N_m")[steady])))
        if ran.reason == "travel" or not g.by_loop:
            _judge_following(g, result, ran, name)
    if len(torques) == 2:
        friction = 0.5 * (torques[0] - torques[1])
        context.known["friction_N_m"] = friction
        result.measured.append(
            Measured(
                "friction while turning",
                friction,
                "N·m",
                f"about {g.profile.actuator.friction.coulomb:.3f} N·m",
                f"half the difference of both senses at {millimetres(g.speed_m_s)}/s",
            )
        )


def _behind(g: Gentle) -> float:
    """Speed that a position ahead asks for, over what is left of it as the nut runs on meanwhile."""
    control = g.profile.control
    if control.source != "position":
        return 1.0
    return 1.0 + 2 * math.pi * control.position_loop.bandwidth * BEHIND_CYCLES / control.rate


def _judge_following(g: Gentle, result: Result, ran: RunData, name: str) -> None:
    """Compare torque or speed that the drive reported with the command."""
    if g.by_loop:
        steady = np.abs(ran.of("nut_velocity_m_s")) > STEADY * g.speed_m_s
        speed = ran.of("nut_velocity_m_s")[steady]
        follows = abs(float(np.mean(speed))) / g.speed_m_s if len(speed) else math.nan
        follows *= _behind(g)
        label, why = "speed over command", "the drive's own loop leaves no error at a steady speed"
        code, agrees = "speed_not_following", SPEED_AGREES[g.profile.control.source]
    else:
        commanded, reported = ran.of("commanded_torque_N_m")[:-1], ran.of("measured_torque_N_m")[1:]
        square = float(np.dot(commanded, commanded))
        follows = float(np.dot(commanded, reported)) / square if square > 0 else math.nan
        label, why = "current over command", "the drive's current loop settles within a cycle"
        code, agrees = "current_not_following", CURRENT_AGREES
    good = abs(follows - 1) < agrees
    result.measured.append(Measured(f"{label} {name}", follows, "1", f"1 ± {agrees}", why, good))
    if good:
        return
    if g.profile.control.source == "position" and math.isfinite(follows):
        # The speed is the loop's gain times how far the commanded position lies ahead.
        gain_Hz = follows * g.profile.control.position_loop.bandwidth
        change = {"control.position_loop.bandwidth": f"{gain_Hz:.2g} Hz"}
        result.findings.append(finding("position_loop_wrong", ratio=follows, changes=change))
    else:
        result.findings.append(finding(code, ratio=follows))


FIRST_MOTION = Step(
    key="first_motion",
    title="First motion",
    happens="Power comes on with nothing commanded; then the torque rises from zero until the nut "
    "just moves, in both directions; then the motor turns slowly, two turns forth and two back.",
    wrong="The motor may jerk by a fraction of a turn and hold there (phases, pole pairs), or "
    "move the other way. Force, speed and travel end each run by themselves.",
    clear="Hands away from screw, springs and output. No weight on the rod.",
    run=_first_motion,
    energises=True,
    needs=("sensors_by_hand", "springs_by_hand", "drive_limits", "stop_chain"),
    recheck_on_resume=True,
)
