"""First motion under power: nothing at zero torque, then just enough to move, then two turns."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from hil.bringup.findings import finding
from hil.bringup.manual_actions import by_turns
from hil.bringup.step import Context, Finding, Measured, Plot, Result, Step
from hil.bringup.under_power import (
    SUPPORT,
    Gentle,
    Part,
    RunData,
    gentle,
    millimetres,
    power_down,
    restart,
    run,
    told,
    trace,
    watch,
)
from hil.core import MotorSpeed, MotorTorque
from hil.procedures import Action, Hand, ProcedureFailed, Seen

STILL_M = 1e-4  # standing still: less than the springs give by the sensor's noise
MOVED_COUNTS = 4.0  # encoder counts that are motion and no flicker
RAMP_S = 2.0
TURNS = 2.0  # whole turns pass every pole pair, whatever their number
LOCKED_TURNS = 0.9  # a rotor in a wrong field comes to rest within one turn
ROOM = 0.12  # of the stroke, above the lower end: where it begins
STRONGER = 1.7  # against a wrong field, so that friction leaves the rotor near where it holds
SWING_M_S = 0.05  # of a rotor that a wrong field throws over, in mid-stroke
# Of a pole pitch. The first turn by hand leaves a place where the field has no hold.
NUDGES = (0.15, 0.4)
ON_OR_BACK = 0.22
LEAST_SWING = 0.03
SWINGS = "the rotor swings into one place and stays"
FEWER = 0.8  # of a pole pitch: no field that is off by p or more swings so far
STRONGEST = 4.5  # of the stated break-away: what is still stuck is not held by friction alone
FAR_NUDGES = (0.13, 0.31)  # of a turn: a field one pole pair off has a hold in one of them
AGREE = 0.1
CURRENT_AGREES = 0.15


@told
def _first_motion(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("first_motion")
    g = gentle(context.profile)
    yield Hand("support_load", SUPPORT)
    yield from _to_the_start(g, result)
    if result.findings:
        return result
    envelope = g.envelope(STRONGER * g.torque_N_m, SWING_M_S)
    yield from restart(envelope, "First motion: the nut moves a little, then two turns each way")

    zero = yield from watch(0.5)
    strayed = _strayed(zero)
    result.measured.append(
        Measured(
            "motion at zero torque",
            1e3 * strayed,
            "mm",
            f"below {1e3 * STILL_M:g} mm",
            "power on and no torque asked: friction must hold it",
            strayed < STILL_M,
        )
    )
    if strayed >= STILL_M:
        result.findings.append(finding("moves_unasked", moved_mm=1e3 * strayed))
        return result

    up = yield from _breakaway(g, 1)
    down = yield from _breakaway(g, -1)
    forth = yield from _turns(g, 1)
    turned = _turned(g, forth)
    if turned < LOCKED_TURNS and forth.reason != "force":
        back = yield from _turns(g, -1)
        if _turned(g, back) < LOCKED_TURNS and back.reason != "force":
            found = yield from _why_locked(g)
            result.plots.append(_plot(forth, "The nut does not turn on"))
            result.findings.append(found)
            return result
    else:
        back = yield from _turns(g, -1)
    result.plots.append(_plot(_joined(forth, back), "Two turns each way"))
    _judge_ends(g, result, forth, back)
    _judge_breakaway(g, context, result, up, down)
    _judge_turns(g, context, result, forth, back)
    result.text = (
        f"the nut breaks away at {context.known.get('breakaway_N_m', math.nan):.3f} N·m and turns "
        f"{_turned(g, forth):.1f} turns forth, {_turned(g, back):.1f} back"
    )
    return result


def _to_the_start(g: Gentle, result: Result) -> Generator[Action, Seen, None]:
    """The nut by hand to where there is room for two turns, and no end near."""
    seen = yield from watch(0.1)
    nut = float(seen.of("nut_position_m")[-1])
    start = ROOM * g.stroke_m
    if abs(nut - start) < 0.05 * g.stroke_m:
        return
    hand = 1 if g.profile.actuator.screw.hand == "right" else -1
    turns = (start - nut) / (hand * g.lead_m)
    yield Hand(
        "turn_screw",
        f"Bring the nut by hand to about {1e3 * start:.0f} mm from the lower end: turn the shaft "
        f"by {by_turns(turns)}.",
        turns,
    )
    seen = yield from watch(0.1)
    moved = float(seen.of("nut_position_m")[-1]) - nut
    if abs(moved) < 0.25 * abs(start - nut):
        result.findings.append(
            finding("nut_jammed", asked_mm=1e3 * (start - nut), moved_mm=1e3 * moved)
        )


def _breakaway(g: Gentle, sense: int, torque_N_m: float = 0.0) -> Part:
    ramp = MotorTorque(
        torque_N_m=sense * (torque_N_m or g.torque_N_m),
        ramp_s=RAMP_S,
        duration_s=RAMP_S + 0.3,
        speed_m_s=0.02,
        travel_m=0.05 * g.lead_m,
        force_N=g.end_N,
    )
    return (yield from run(ramp, 0.3))


def _turns(g: Gentle, sense: int) -> Part:
    length = _length(g)
    asked = MotorSpeed(
        speed_m_s=sense * g.speed_m_s,
        torque_N_m=1.1 * g.torque_N_m,
        duration_s=length / g.speed_m_s + 2.0,
        travel_m=length,
        force_N=g.leave_N,
    )
    return (yield from run(asked, 0.3))


def _length(g: Gentle) -> float:
    """Two turns and a little, or what the stroke leaves."""
    return min((TURNS + 0.1) * g.lead_m, 0.7 * g.stroke_m)


def _why_locked(g: Gentle) -> Generator[Action, Seen, Finding]:
    """Tell the ways apart in which a field can hold a rotor.

    With p pole pairs and a field that runs at p' of them by the encoder, torque goes with the
    cosine of |p' − p| times the shaft angle (p' + p with two phases swapped): the places that
    hold the rotor are lead / |p' ∓ p| apart, half a pole pitch with phases swapped and a whole
    one with p' = 2p. Turned on by hand by 0.4 pitches it swings on to the next place in the
    one case, and back in the other.
    """
    pole_pairs = g.profile.actuator.motor.pole_pairs
    pitch = g.lead_m / pole_pairs
    torque = STRONGER * g.torque_N_m
    swing = yield from _swing(g, torque)
    if math.isinf(swing):
        return (yield from _why_still(g, pitch))
    if swing > FEWER * pitch:
        return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * swing)
    place = moved = 0.0
    for nudge in NUDGES:
        yield from power_down()
        before = yield from watch(0.05)
        place = float(before.of("nut_position_m")[-1])
        turns = nudge / pole_pairs
        yield Hand("turn_screw", f"Turn the shaft by {by_turns(turns)}, and let go.", turns)
        now = yield from watch(0.1)
        by_hand = abs(float(now.of("nut_position_m")[-1]) - place)
        if by_hand < 0.2 * turns * g.lead_m:
            return finding("nut_jammed", moved_by_hand_mm=1e3 * by_hand)
        yield from restart(g.envelope(torque, SWING_M_S), "Once more: a push of half a second")
        swung = yield from _push(g, torque)
        moved = max(moved, abs(swung.moved_m))
        place = abs(float(swung.of("nut_position_m")[-1]) - place)
    if moved < LEAST_SWING * pitch:
        return (yield from _why_still(g, pitch))
    return finding(
        "phases_swapped" if place > ON_OR_BACK * pitch else "pole_pairs_wrong",
        note=SWINGS,
        held_next_mm=1e3 * place,
        pole_pitch_mm=1e3 * pitch,
    )


def _swing(g: Gentle, torque_N_m: float) -> Generator[Action, Seen, float]:
    """How far in m the rotor swings, pushed either way; infinite if it turns on.

    Half a period of a wrong field at most, lead / (2·|p' ∓ p|).
    """
    places, swings = [], [0.0]
    for sense in (1, -1):
        ran = yield from _push(g, sense * torque_N_m)
        nut = ran.of("nut_position_m")
        before = nut[max(0, len(nut) - 300) : max(1, len(nut) - 200)]
        # The last fifth of a second is without torque: what moved just before was not held.
        if _turned(g, ran) > LOCKED_TURNS or float(np.ptp(before)) > STILL_M:
            return math.inf
        places.append(float(nut[-1]))
        swings.append(abs(float(nut[-1] - nut[0])))
    return max(*swings, abs(places[0] - places[1]))


def _why_still(g: Gentle, pitch: float) -> Generator[Action, Seen, Finding]:
    """More torque: friction gives way and the rotor turns on, a wrong field holds it again."""
    torque = STRONGEST * g.breakaway_N_m
    envelope = g.envelope(torque, SWING_M_S)
    told = "More torque than friction as stated would need"
    yield from restart(envelope, told)
    for nudge in FAR_NUDGES:
        ramp = yield from _breakaway(g, 1, torque)
        swing = yield from _swing(g, torque)
        if math.isinf(swing):
            onset, _ = _onset(ramp, STILL_M)
            stated = g.profile.actuator.friction.breakaway
            return finding("friction_high", breaks_away_Nm=onset, stated_Nm=stated)
        if swing > FEWER * pitch:
            return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * swing)
        yield from power_down()
        yield Hand("turn_screw", f"Turn the shaft by {by_turns(nudge)}, and let go.", nudge)
        yield from restart(envelope, told)
    swing = yield from _swing(g, torque)
    if FEWER * pitch < swing < math.inf:
        return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * swing)
    return finding("no_motion", asked_Nm=torque)


def _push(g: Gentle, torque_N_m: float) -> Part:
    asked = MotorTorque(
        torque_N_m=torque_N_m,
        ramp_s=0.05,
        duration_s=0.5,
        speed_m_s=0.9 * SWING_M_S,
        travel_m=0.5 * g.lead_m,
        force_N=g.leave_N,
    )
    ran = yield from run(asked, 0.2)
    for _ in range(3):
        if ran.reason != "speed":
            break
        # Thrown over too fast, it was left to coast: from there it has less far to go.
        more = yield from run(asked, 0.2)
        ran = RunData(np.concatenate([ran.rows, more.rows]), more.reason)
    return ran


def _strayed(ran: RunData) -> float:
    nut = ran.of("nut_position_m")
    return float(np.max(nut) - np.min(nut)) if len(nut) else math.nan


def _turned(g: Gentle, ran: RunData) -> float:
    return _strayed(ran) / g.lead_m


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
    """What ended the turns early, if the rotor as such turned freely."""
    for ran in (forth, back):
        if ran.reason == "travel":
            continue
        at = float(ran.of("nut_position_m")[-1])
        turned = _turned(g, ran)
        if ran.reason == "force" and ran.pressed_N < g.touch_N:
            result.findings.append(finding("deflection_noisy", peak_N=abs(ran.force_N)))
        elif ran.reason == "force":
            result.findings.append(
                finding("end_stop_inside", at_mm=1e3 * at, force_N=abs(ran.force_N))
            )
        elif ran.reason == "blocked":
            result.findings.append(finding("screw_stiff_spot", at_mm=1e3 * at, turned_turns=turned))
        elif ran.reason == "speed":
            result.findings.append(
                finding("commutation_wrong", note="faster than asked", turned_turns=turned)
            )
        else:
            raise ProcedureFailed(
                f"the motor turned {turned:.2f} turns and then came to no end of its own "
                f"({ran.reason or 'the run did not end'}): look for what delays the bench or "
                "holds the screw, and repeat this step"
            )
        return


def _onset(ran: RunData, threshold_m: float) -> tuple[float, int]:
    """(torque in N·m at which the nut began to move, sense in which it moved)."""
    nut = ran.of("nut_position_m")
    moved = np.nonzero(np.abs(nut - nut[:1]) > threshold_m)[0]
    if not len(moved):
        return math.nan, 0
    at = int(moved[0])
    return float(ran.of("commanded_torque_N_m")[at]), int(np.sign(nut[at] - nut[0]))


def _judge_breakaway(
    g: Gentle, context: Context, result: Result, up: RunData, down: RunData
) -> None:
    threshold = MOVED_COUNTS * g.lead_m / g.profile.sensors.motor.counts_per_revolution
    found = []
    for name, ran, sense in (("outward", up, 1), ("inward", down, -1)):
        torque, moved = _onset(ran, threshold)
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
    if len(found) == 2:
        context.known["breakaway_N_m"] = sum(found) / 2
        stated = g.profile.actuator.friction.breakaway
        if stated and abs(context.known["breakaway_N_m"] / stated - 1) > AGREE:
            result.changes["actuator.friction.breakaway"] = f"{sum(found) / 2:.3g} N*m"
    elif not result.findings:
        result.findings.append(finding("friction_high", asked_Nm=g.torque_N_m))


def _judge_turns(
    g: Gentle, context: Context, result: Result, forth: RunData, back: RunData
) -> None:
    torques = []
    for name, ran in (("forth", forth), ("back", back)):
        nut, speed = ran.of("nut_position_m"), ran.of("nut_velocity_m_s")
        turns = _turned(g, ran)
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
                "both come from the encoder; they part if counts are lost",
                abs(share - 1) < AGREE,
            )
        )
        steady = np.abs(speed) > 0.7 * g.speed_m_s
        if np.any(steady):
            torques.append(float(np.mean(ran.of("measured_torque_N_m")[steady])))
        asked, got = ran.of("commanded_torque_N_m")[:-1], ran.of("measured_torque_N_m")[1:]
        square = float(np.dot(asked, asked))
        follows = float(np.dot(asked, got)) / square if square > 0 else math.nan
        good = abs(follows - 1) < CURRENT_AGREES
        result.measured.append(
            Measured(
                f"current over command {name}",
                follows,
                "1",
                f"1 ± {CURRENT_AGREES}",
                "the drive's current loop settles within a cycle",
                good,
            )
        )
        if not good:
            result.findings.append(finding("current_not_following", ratio=follows))
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


FIRST_MOTION = Step(
    key="first_motion",
    title="First motion",
    happens="Power comes on at zero torque; then the torque rises from nothing until the nut just "
    "moves, in both senses; then the motor turns slowly, two turns forth and two back.",
    wrong="The motor may jerk by a fraction of a turn and hold there (phases, pole pairs), or "
    "move the other way. Force, speed and travel end each run by themselves.",
    clear="Hands away from screw, springs and output. No weight on the rod.",
    run=_first_motion,
    energises=True,
    needs=("sensors_by_hand", "springs_by_hand", "drive_limits", "stop_chain"),
    recheck_on_resume=True,
)
