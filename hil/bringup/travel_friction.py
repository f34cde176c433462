"""Friction over the stroke, from one run each way: evenness, run-out, and the output's share."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import FORCE, LENGTH
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Plot, Result
from hil.bringup.under_power import PRESSED_ROWS, Floats, Gentle, RunData, after, trace
from hil.profile import Lever, Profile

ENDS_LEFT_M = 0.003  # left out: close to an end the nut starts, stops and presses
BINS = 25
# A tight place shows as a peak; friction of a sound screw varies less over its length.
STIFF_TIMES = 1.8
STIFF_OF_BREAKAWAY = 0.35
ZERO_SHARE = 0.015  # of the rated force: the springs at no load, against the motor
GUIDE_SHARE = 0.012  # of the rated force: dry friction of the output beyond the stated one
BENT = 0.2  # of the friction: amplitude once a turn
BENT_PLACES = 12  # a turn
PROPOSE_FROM = 0.1


def end_m(ran: RunData) -> float:
    """Return the output position in m at its end: the springs still hold it there."""
    return float(np.median(ran.of("output_position_m")[-PRESSED_ROWS:]))


def over_travel(title: str, *runs: RunData) -> Plot:
    """Return a plot of torque against the nut's position in each run."""
    return Plot(
        title,
        "nut (mm)",
        "torque (mN·m)",
        tuple(
            trace(
                "outward" if ran.moved_m > 0 else "inward",
                1e3 * ran.of("nut_position_m"),
                1e3 * ran.of("measured_torque_N_m"),
            )
            for ran in runs
        ),
    )


def _binned(
    ran: RunData, edges: Floats, sense: int, least_m_s: float, of: str = "measured_torque_N_m"
) -> Floats:
    """Return the mean of a column per bin of nut position, moving in ``sense``; NaN if empty."""
    nut, torque = ran.of("nut_position_m"), ran.of(of)
    moving = sense * ran.of("nut_velocity_m_s") > least_m_s
    number = np.digitize(nut[moving], edges) - 1
    sums = np.bincount(number.clip(0, BINS), torque[moving], BINS + 1)[:BINS]
    counts = np.bincount(number.clip(0, BINS), None, BINS + 1)[:BINS]
    with np.errstate(invalid="ignore"):
        return np.asarray(sums / np.where(counts > 5, counts, np.nan))


def judge_friction(
    context: Context, result: Result, g: Gentle, up: RunData, down: RunData
) -> float:
    """Return friction in N·m as half the difference of both directions; the load cancels."""
    low, high = end_m(down) + ENDS_LEFT_M, end_m(up) - ENDS_LEFT_M
    edges = np.linspace(low, high, BINS + 1)
    slow = 0.5 * g.speed_m_s
    outward, inward = _binned(up, edges, 1, slow), _binned(down, edges, -1, slow)
    friction = 0.5 * (outward - inward)
    middle = float(np.nanmedian(friction))
    worst = int(np.nanargmax(friction))
    peak = float(friction[worst])
    at = float(0.5 * (edges[worst] + edges[worst + 1]))
    stated = context.profile.actuator.friction.coulomb
    limit = max(STIFF_TIMES * middle, middle + STIFF_OF_BREAKAWAY * g.breakaway_N_m)
    even = peak < limit
    bent = _once_a_turn(g, up, down, low, high)
    rubs = _output_friction(up, down, edges, slow)
    middles = (
        _middle(up, down, edges, slow, "spring_force_N"),
        float(np.nanmedian(0.5 * (outward + inward))),
    )
    zero_N = middles[0] - middles[1] * g.per_torque
    most_zero = ZERO_SHARE * g.profile.limits.force.limited
    most_rub = _beside_the_screw(context.profile) + GUIDE_SHARE * g.profile.limits.force.limited
    result.plots.append(over_travel("Torque over the stroke", up, down))
    result.measured += [
        Measured(
            "friction over the stroke, median",
            middle,
            "N·m",
            f"about {stated:.3f} N·m",
            "half the difference between both directions, so that the load cancels; judged by the "
            "working force, which knows the motor's torque",
        ),
        Measured(
            f"greatest friction, at {LENGTH(at):.1f}{LENGTH}",
            peak,
            "N·m",
            f"below {limit:.3f} N·m",
            "a sound screw is even over its length",
            even,
        ),
        Measured(
            "friction that comes once a turn",
            bent,
            "N·m",
            f"below {BENT * middle:.3f} N·m",
            "a straight screw in aligned bearings turns evenly",
            bent < BENT * middle,
        ),
        Measured(
            "friction of the output",
            rubs,
            "N",
            f"below {FORCE(most_rub):.1f}{FORCE}",
            "half the difference of the spring force between both directions",
            rubs < most_rub,
        ),
        Measured(
            "spring force beyond the motor's",
            zero_N,
            "N",
            f"below {FORCE(most_zero):.1f}{FORCE} either way",
            "in the mean of both directions friction cancels; the sensor's zero does not",
            abs(zero_N) < most_zero,
        ),
        Measured(
            "torque that the load takes",
            float(np.nanmedian(0.5 * (outward + inward))),
            "N·m",
            "about 0 N·m",
            "half the sum of both directions: the output is balanced",
        ),
    ]
    if not even:
        result.findings.append(
            finding("screw_stiff_spot", at_mm=1e3 * at, friction_Nm=peak, elsewhere_Nm=middle)
        )
    elif abs(zero_N) >= most_zero:
        stood = after(context, "zero_counts", context.profile.calibration.zero)
        rate = g.rate_N_m * abs(context.profile.calibration.deflection_per_count)
        by_hand = abs(stood - context.profile.calibration.zero) * rate > 0.7 * abs(zero_N)
        code = "deflection_zero_off" if by_hand else "deflection_drifts"
        result.findings.append(finding(code, force_N=zero_N))
    elif rubs >= most_rub:
        result.findings.append(finding("guide_rubs", friction_N=rubs, most_N=most_rub))
    elif bent >= BENT * middle:
        result.findings.append(finding("screw_bent", once_a_turn_Nm=bent, friction_Nm=middle))
    # Friction of guide or pivot, and viscous friction, have their own keys in the profile.
    viscous = context.profile.actuator.friction.viscous * g.speed_m_s * g.per_torque
    if stated:
        context.known["friction_over_stated"] = middle / stated
    coulomb = middle - _beside_the_screw(context.profile) / g.per_torque - viscous
    context.known["friction_N_m"] = coulomb
    if stated and abs(coulomb / stated - 1) > PROPOSE_FROM:
        result.changes["actuator.friction.coulomb"] = f"{coulomb:.3g} N*m"
    return middle


def _once_a_turn(g: Gentle, up: RunData, down: RunData, low: float, high: float) -> float:
    """Return the amplitude in N·m of friction with the period of the screw, over whole turns."""
    turns = math.floor((high - low) / g.lead_m)
    if turns < 2:
        return 0.0
    at = low + np.arange(turns * BENT_PLACES) * g.lead_m / BENT_PLACES
    half = []
    for ran in (up, down):
        nut, torque = ran.of("nut_position_m"), ran.of("measured_torque_N_m")
        half.append([float(np.mean(torque[np.abs(nut - x) < 0.04 * g.lead_m])) for x in at])
    friction = 0.5 * (np.array(half[0]) - np.array(half[1]))
    turn = np.exp(-2j * math.pi * at / g.lead_m)
    return float(2.0 * abs(np.mean((friction - np.mean(friction)) * turn)))


def _middle(up: RunData, down: RunData, edges: Floats, least_m_s: float, of: str) -> float:
    """Return the median over the stroke of a column's mean of both directions."""
    outward, inward = (
        _binned(up, edges, 1, least_m_s, of),
        _binned(down, edges, -1, least_m_s, of),
    )
    return float(np.nanmedian(0.5 * (outward + inward)))


def _output_friction(up: RunData, down: RunData, edges: Floats, least_m_s: float) -> float:
    """Return the dry friction of the output in N: the springs drag it along."""
    outward = _binned(up, edges, 1, least_m_s, "spring_force_N")
    inward = _binned(down, edges, -1, least_m_s, "spring_force_N")
    return float(np.nanmedian(0.5 * (outward - inward)))


def _beside_the_screw(profile: Profile) -> float:
    """Return the dry friction of the rig at the rod in N, as stated in the profile."""
    rig = profile.rig
    return rig.pivot_friction / rig.rod_arm if isinstance(rig, Lever) else rig.guide_friction
