"""Loads measured by a reference load cell: the actuator presses on it with a force, in steps.

The cell is mounted in line with the rod and backed by a clamp, so that no weight, arm or gravity
enters; a level rig can be calibrated in this way as well. Each step is approached from the previous
one, rising or falling, so that hysteresis shows from both sides. The cell is taken out after each
series, which shows its repeatability after re-mounting (ISO 376). The operator types its reading:
an impossible one is asked for again, with the fix.
"""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np

from drivers.motion import FORCE, worded
from hil.calibration.load_points import settled_under, take
from hil.calibration.loads import cell_load
from hil.calibration.plan import FORCE_SHARE, PlannedLoad, Session
from hil.calibration.settling import MOVED_COUNTS, energise, trend
from hil.calibration.sweep import bring, rest
from hil.core import Apply, Waveform
from hil.procedures import (
    Action,
    Hand,
    Note,
    Pause,
    ProcedureFailed,
    Read,
    Seen,
    column,
    send_requests,
)

RAMP_S = 1.0  # from step to step
TRIES = 3
KILOGRAM = 9.81
NEARLY = 1.7  # largest factor between the ratio and a known slip: the springs are not known yet
FARTHEST = 2.5  # largest factor between a reading and the spring force so far
LIGHT = 0.05  # of the limited force: below it a ratio is meaningless
# Typed over true value, and the slip as text.
SLIPS = (
    (1e-3, "kilonewtons were typed for newtons"),
    (1.0 / KILOGRAM, "kilograms were typed for newtons"),
    (1e3, "millinewtons were typed for newtons"),
)
PUT_IN = (
    "Zero the reference load cell with nothing on it. Mount it in line with the rod, and clamp "
    "whatever is behind it so that the rod cannot move. Keep your hands away."
)
TAKE_OUT = "Take the clamp off, and remove the load cell from the line of the rod."
# Of a linear actuator, and of a rotary one, whose cell is between the joint and the clamp.
QUESTIONS = (
    "The load cell's reading in N, + where the rod presses on it, − where it pulls",
    "The torque cell's reading in N·m, + where the joint drives it up, − where down",
)


def put_in(session: Session) -> Generator[Action, Seen, None]:
    """Have the cell mounted between rod and clamp; power on, no force."""
    session.say("moving", "No load: moving to where the load cell is mounted")
    # In the middle no soft end limits the force, either way.
    yield from bring(session.profile, session.at(0.5), session.options.speed_m_s)
    session.say("load", "Mount the load cell and clamp it")
    yield Hand("hold_output", PUT_IN)
    yield from energise()


def take_out(session: Session) -> Generator[Action, Seen, None]:
    """Power off and have the cell taken out; the rod is free afterwards."""
    yield from rest()
    session.say("load", "Take the load cell out")
    yield Hand("let_output_go", TAKE_OUT)


def press_on(
    session: Session, load: PlannedLoad, series: int, from_N: float
) -> Generator[Action, Seen, float]:
    """Run one step: apply its force, settle, read springs and cell; return the force setpoint.

    Raises:
        ProcedureFailed: refused, or no plausible reading was typed.
    """
    force = _bearable_N(session, load)
    if force != load.press_N and load.direction > 0 and abs(force) < abs(from_N) + 1.0:
        session.total -= 1
        session.never.add(load.label)
        yield Note(
            f"{load.label} is left out: by the load cell it would exceed "
            f"{100 * FORCE_SHARE:.0f} % of limits.force.limited"
        )
        return from_N
    session.say("moving", load.label)
    # The last value of the table holds.
    points = ((0.0, from_N), (RAMP_S, force))
    wave = Waveform(shape="table", of="force", points=points, duration_s=RAMP_S)
    # The rod presses on a clamped part: no load can move.
    yield from send_requests([Apply(behaviour=wave, load_may_move=True)])
    yield Pause(RAMP_S)
    settled = yield from settled_under(session, load)
    before = (yield Pause(session.options.read_s)).rows
    session.say("load", f"Read the load cell: {load.label}")
    reading = yield from ask_cell(session, load, float(column(before, "spring_force_N").mean()))
    session.say("settling", load.label)
    # Reading the cell takes a while: a creep meanwhile makes the point unsettled.
    after = (yield Pause(session.options.read_s)).rows
    crept = abs(trend(after)[2] - trend(before)[2]) > MOVED_COUNTS
    rows = np.concatenate((before, after))
    known = cell_load(reading, session.options.accuracy)
    goal = session.at(0.5)
    take(session, load, series, load.direction, goal, rows, known, settled and not crept)
    return force


def ask_cell(session: Session, load: PlannedLoad, felt_N: float) -> Generator[Action, Seen, float]:
    """Return the reading of the cell in N.

    Args:
        felt_N: spring force by the calibration so far.

    Raises:
        ProcedureFailed: no typed value can be its reading.
    """
    question, wrong = f"{load.label[:1].upper()}{load.label[1:]}. {worded(*QUESTIONS)}", ""
    for _ in range(TRIES):
        reading = (yield Read(question, "cell_N", "N")).value
        wrong = misread(reading, felt_N, session.profile.limits.force.limited)
        if not wrong:
            return reading
        yield Note(wrong)
        question = f"{wrong}. {worded(*QUESTIONS)}"
    raise ProcedureFailed(f"{load.label}: {wrong}; nothing was calibrated")


def misread(reading_N: float, felt_N: float, limited_N: float) -> str:
    """Return why this cannot be the cell's reading, with the fix; '' if it can.

    Args:
        felt_N: spring force by the calibration so far; only unmistakable slips are reported here,
            a mere disagreement is judged at the end.
    """
    about = f"springs and motor hold about {FORCE(felt_N):.0f}{FORCE}"
    if not math.isfinite(reading_N):
        return (
            "No number was given: type what the cell's indicator shows, in newtons; if it shows "
            "nothing, stop here and check the cell first"
        )
    if abs(reading_N - felt_N) <= LIGHT * limited_N:
        return ""
    ratio = reading_N / felt_N if felt_N else math.inf
    if 1.0 / FARTHEST < ratio < FARTHEST:
        return ""
    for slip, words in SLIPS:
        if slip / NEARLY < abs(ratio) < slip * NEARLY:
            return (
                f"{FORCE(reading_N):g}{FORCE} is not possible, as {about}; it looks as if {words}: "
                "type newtons, or the number with its unit"
            )
    if 1.0 / FARTHEST < -ratio < FARTHEST:
        return (
            f"{FORCE(reading_N):g}{FORCE} has the wrong sign, as {about}: type + where the rod presses "
            "on the cell and − where it pulls; if the indicator shows the opposite, reverse its sign"
        )
    return (
        f"{FORCE(reading_N):g}{FORCE} is not possible, as {about}: check the indicator again, and make "
        "sure that the cell is in line with the rod and nothing in parallel carries force"
    )


def _bearable_N(session: Session, load: PlannedLoad) -> float:
    """Return the force of a step, reduced if the true one, by the cell so far, exceeds the limit."""
    so_far = [
        p.load_N / float(column(p.rows, "spring_force_N").mean())
        for p in session.points
        if abs(p.load_N) > LIGHT * session.profile.limits.force.limited
    ]
    reads = max(so_far[-2:], default=1.0)
    most = FORCE_SHARE * session.profile.limits.force.limited / reads
    return max(-most, min(most, load.press_N))
