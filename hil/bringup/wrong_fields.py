"""Cause of a rotor that stops turning: a wrong field that holds it, friction, or a stuck nut."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from hil.bringup.findings import finding
from hil.bringup.manual_actions import by_turns
from hil.bringup.step import Finding
from hil.bringup.under_power import Gentle, Part, RunData, power_down, run, watch
from hil.core import MotorTorque
from hil.procedures import Action, Hand, Seen, restart

STRONGER = 1.7  # against a wrong field, so that friction leaves the rotor close to its hold point
SWING_M_S = 0.05  # of a rotor that a wrong field throws over, in mid-stroke
# Of a pole pitch. The first turn by hand leaves a position in which the field has no hold.
NUDGES = (0.15, 0.4)
ON_OR_BACK = 0.22
LEAST_SWING = 0.03
SWINGS = "the rotor swings to one position and stays"
FAR_TRIES = 15  # a light rotor is thrown a few degrees at a time
FEWER = 0.8  # of a pole pitch: a field that is off by p or more never swings this far
STRONGEST = 4.5  # of the stated break-away: a rotor still stuck is not held by friction alone
FAR_NUDGES = (0.13, 0.31)  # of a turn: a field one pole pair off has a hold in one of them
STILL_M = 1e-4  # standstill: below the deflection equivalent of the sensor's noise
RAMP_S = 2.0
# A motor with half the torque per ampere also turns: the spring push distinguishes it from friction.
RAMP_OVER = 1.2
# Of the force that a torque beyond the stated friction gives. On the shipped rigs an output that
# rubs held 0.43 of it, one behind a stiff screw at most 0.09; measured in simulation.
HELD = 0.25
LOCKED_TURNS = 0.9  # a rotor in a wrong field comes to rest within one turn


def why_locked(g: Gentle) -> Generator[Action, Seen, Finding]:
    """Distinguish the ways in which a field can hold a rotor.

    With p pole pairs and a field commutated for p' of them, torque varies with the cosine of
    |p' − p| times the shaft angle (p' + p with two phases swapped): the positions that hold the
    rotor are lead / |p' ∓ p| apart, half a pole pitch with phases swapped and a whole one with
    p' = 2p. Turned on by hand by 0.4 pitches, it swings on to the next position in the first case,
    and back in the second.
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
    # One direction holds it there; the other throws it, once a hand has turned it off that position.
    yield from _nudged(NUDGES[-1] / pole_pairs)
    yield from restart(g.envelope(torque, SWING_M_S), "A push of half a second the other way")
    swung = yield from _push(g, -torque, FAR_TRIES)
    if abs(swung.moved_m) > FEWER * pitch:
        return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * abs(swung.moved_m))
    return finding(
        "phases_swapped" if place > ON_OR_BACK * pitch else "pole_pairs_wrong",
        note=SWINGS,
        held_next_mm=1e3 * place,
        pole_pitch_mm=1e3 * pitch,
    )


def _nudged(turns: float) -> Generator[Action, Seen, None]:
    """Power off, and have the shaft turned a little by hand."""
    yield from power_down()
    yield Hand("turn_screw", f"Turn the shaft by {by_turns(turns)}, and let go.", turns)


def _swing(g: Gentle, torque_N_m: float) -> Generator[Action, Seen, float]:
    """Return how far in m the rotor swings, pushed either way; infinite if it turns on.

    Half a period of a wrong field at most, lead / (2·|p' ∓ p|).
    """
    places, swings = [], [0.0]
    for sense in (1, -1):
        ran = yield from _push(g, sense * torque_N_m)
        nut = ran.of("nut_position_m")
        before = nut[max(0, len(nut) - 300) : max(1, len(nut) - 200)]
        # The last fifth of a second is without torque: a rotor moving just before was not held.
        if turned_turns(g, ran) > LOCKED_TURNS or float(np.ptp(before)) > STILL_M:
            return math.inf
        places.append(float(nut[-1]))
        swings.append(abs(float(nut[-1] - nut[0])))
    return max(*swings, abs(places[0] - places[1]))


def _why_still(g: Gentle, pitch: float) -> Generator[Action, Seen, Finding]:
    """Apply more torque: against friction the rotor turns on, a wrong field holds it again."""
    torque = STRONGEST * g.breakaway_N_m
    envelope = g.envelope(torque, SWING_M_S)
    reason = "More torque than the stated friction needs"
    yield from restart(envelope, reason)
    for nudge in FAR_NUDGES:
        ramp = yield from breakaway(g, 1, torque)
        swing = yield from _swing(g, torque)
        if math.isinf(swing):
            torque_N_m, _ = onset(ramp, STILL_M, g.by_loop)
            return _too_stiff(g, torque_N_m, ramp.pressed_N)
        if swing > FEWER * pitch:
            return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * swing)
        yield from _nudged(nudge)
        yield from restart(envelope, reason)
    swing = yield from _swing(g, torque)
    if FEWER * pitch < swing < math.inf:
        return finding("pole_pairs_wrong", note=SWINGS, swing_mm=1e3 * swing)
    return finding("no_motion", commanded_Nm=torque)


def _too_stiff(g: Gentle, torque_N_m: float, pressed_N: float) -> Finding:
    """Return where the friction is: an output that rubs holds the springs pressed afterwards."""
    stated = g.profile.actuator.friction.breakaway
    excess_N = (torque_N_m - stated) * g.per_torque
    if pressed_N > max(g.touch_N, HELD * excess_N):
        return finding("guide_rubs", friction_N=pressed_N, most_N=g.touch_N)
    return finding("friction_high", breaks_away_Nm=torque_N_m, stated_Nm=stated)


def _push(g: Gentle, torque_N_m: float, tries: int = 3) -> Part:
    request = MotorTorque(
        torque_N_m=torque_N_m,
        ramp_s=0.05,
        duration_s=0.5,
        speed_m_s=0.9 * SWING_M_S,
        travel_m=0.5 * g.lead_m,
        force_N=g.leave_N,
    )
    ran = yield from run(request, 0.2)
    for _ in range(tries):
        if ran.reason != "speed":
            break
        # Thrown over too fast, it was left to coast: from there the distance is shorter.
        more = yield from run(request, 0.2)
        ran = RunData(np.concatenate([ran.rows, more.rows]), more.reason)
    return ran


def breakaway(g: Gentle, sense: int, torque_N_m: float = 0.0) -> Part:
    ramp = MotorTorque(
        torque_N_m=sense * (torque_N_m or RAMP_OVER * g.torque_N_m),
        ramp_s=RAMP_S,
        duration_s=RAMP_S + 0.3,
        speed_m_s=0.02,
        travel_m=0.05 * g.lead_m,
        force_N=g.end_N,
    )
    return (yield from run(ramp, 0.3))


def strayed(ran: RunData) -> float:
    nut = ran.of("nut_position_m")
    return float(np.max(nut) - np.min(nut)) if len(nut) else math.nan


def turned_turns(g: Gentle, ran: RunData) -> float:
    return strayed(ran) / g.lead_m


def onset(ran: RunData, threshold_m: float, by_loop: bool) -> tuple[float, int]:
    """Return (torque in N·m at which the nut began to move, direction of its motion).

    Args:
        threshold_m: least motion that counts.
        by_loop: the torque came from a velocity loop in the drive.
    """
    nut = ran.of("nut_position_m")
    moved = np.nonzero(np.abs(nut - nut[:1]) > threshold_m)[0]
    if not len(moved):
        return math.nan, 0
    at = int(moved[0])
    sense = int(np.sign(nut[at] - nut[0]))
    if by_loop:
        # Once it moves, the drive's own loop takes the torque back to what friction needs.
        given = ran.of("measured_torque_N_m")[: at + 1]
        return float(given[np.argmax(np.abs(given))]), sense
    return float(ran.of("commanded_torque_N_m")[at]), sense
