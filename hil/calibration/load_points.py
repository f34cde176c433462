"""One load of a calibration, held and read at its positions; and the sensor's own law."""

from __future__ import annotations

from collections.abc import Generator
from typing import Literal

from drivers.motion import FORCE, LENGTH
from hil.calibration.fit_models import FitError
from hil.calibration.loads import RodLoad, no_load, rod_load
from hil.calibration.plan import FORCE_SHARE, PlannedLoad, Session
from hil.calibration.result import Array, CalibrationFinding, CalibrationPoint
from hil.calibration.settling import (
    SCATTER,
    energise,
    hold_at,
    let_down,
    noise_counts,
    settle,
    trend,
)
from hil.calibration.sweep import STAGES, bring, much_as_so_far, press, rest
from hil.procedures import Action, Hand, Note, Pause, Seen, column

MOST_OFF = 1.25
LIKE_HEAVY = 0.7  # of the heaviest so far: loads that predict the next reading
HOLD = "Clamp the output so that the rod cannot move at all. Keep your hands away."
LET = "Take the clamp off the output."


def visit(
    session: Session, load: PlannedLoad, series: int, step: int
) -> Generator[Action, Seen, None]:
    """Visit one load, or no load: power on, take its points, lower it, power off."""
    pattern = session.pattern(series, step)
    bearable = tuple(point for point in pattern if _bearable(session, load, point[0]))
    if len(bearable) < len(pattern):
        session.total -= len(pattern) - len(bearable)
        yield Note(_left_out(session, load, [p for p in pattern if p not in bearable]))
    if not bearable:
        session.never.add(load.label)
        return
    speed = session.options.speed_m_s
    output = yield from energise()
    for share, approach in bearable:
        goal = session.at(share)
        session.say("moving", f"{load.label}: moving to {LENGTH(goal):.1f}{LENGTH}")
        yield from hold_at(goal, output, approach, speed)
        settled = yield from settled_under(session, load)
        rows = (yield Pause(session.options.read_s)).rows
        output = float(column(rows, "output_position_m").mean())
        known = load_on_rod(session, load, output)
        take(session, load, series, approach, goal, rows, known, settled)
    yield from let_down(session.profile, output, speed)


def settled_under(session: Session, load: PlannedLoad) -> Generator[Action, Seen, bool]:
    """Wait until the reading settles, and report its progress."""

    def tell(slope: float, scatter: float) -> None:
        session.say("settling", load.label, slope, scatter)

    return (yield from settle(session.profile, tell))


def take(
    session: Session,
    load: PlannedLoad,
    series: int,
    approach: Literal[-1, 1],
    goal_m: float,
    rows: Array,
    known: RodLoad,
    settled: bool,
) -> None:
    """Add the point that ``rows`` show under a known load."""
    slope, scatter, mean = trend(rows)
    point = CalibrationPoint(
        load.label,
        load.mass_kg or 0.0,
        known.force_N,
        known.u_N,
        known.parts,
        mean,
        scatter,
        len(rows),
        series,
        load.direction,
        approach,
        series,
        float(column(rows, "output_position_m").mean()),
        float(column(rows, "motor_force_N").mean()),
        settled and scatter < 2 * SCATTER * noise_counts(session.profile),
        False,
        rows,
        goal_m,
    )
    session.points.append(point)
    session.say("point", load.label, slope, scatter, point)


def load_on_rod(session: Session, load: PlannedLoad, output_m: float) -> RodLoad:
    """Return the load as a force on the rod; 0 for no load."""
    if load.mass_kg is None:
        return no_load(session.profile)
    options = session.options
    return rod_load(session.profile, load.mass_kg, output_m, options.accuracy, options.gravity_m_s2)


def sweep(session: Session) -> Generator[Action, Seen, None]:
    """Measure the sensor's law with the output held, gently at first."""
    profile = session.profile
    session.say("moving", "No load: moving to where the output is to be clamped")
    # In the middle no soft end limits the force, either way.
    yield from bring(profile, session.at(0.5), session.options.speed_m_s)
    session.say("load", "Clamp the output")
    yield Hand("hold_output", HOLD)
    yield from energise()
    session.say("sensor", "Pressing and releasing the springs against the clamp")
    try:
        for share, quarter_s in STAGES:
            session.sensor = yield from press(profile, share, quarter_s)
            if not much_as_so_far(profile, session.sensor):
                yield Note(
                    "motor and springs disagree: the springs are not pressed harder than "
                    f"{FORCE(share * profile.limits.force.limited):.0f}{FORCE} against the clamp"
                )
                break
    except FitError as error:
        session.findings.append(
            CalibrationFinding(
                "no_sensor_law", str(error), "repeat with the output clamped firmly", "warning"
            )
        )
    yield from rest()
    session.say("load", "Take the clamp off")
    yield Hand("let_output_go", LET)
    session.say("sensor", "Sensor law found" if session.sensor else "No sensor law")


def _bearable(session: Session, load: PlannedLoad, share: float) -> bool:
    """Return whether the force limit allows the load to be lifted there.

    The limit acts on the force by the calibration so far, which may read several percent too high;
    the previous loads show by how much.
    """
    if load.mass_kg is None or not session.points:
        return True
    known = load_on_rod(session, load, session.at(share)).force_N
    heavy = max(p.load_N for p in session.points)
    reads = max(
        (
            float(column(p.rows, "spring_force_N").mean()) / p.load_N
            for p in session.points
            if p.load_N > LIKE_HEAVY * heavy > 0.0
        ),
        default=1.0,
    )
    if reads > MOST_OFF:
        reads = 1.0  # no spring reads like that: a different weight from the named one hangs
    return known * reads <= FORCE_SHARE * session.profile.limits.force.limited


def _left_out(session: Session, load: PlannedLoad, positions: list[tuple[float, int]]) -> str:
    where = " and ".join(f"{LENGTH(session.at(share)):.1f}{LENGTH}" for share, _ in positions)
    return (
        f"{load.label} is left out at {where}: by the calibration so far it would read as more "
        f"than {100 * FORCE_SHARE:.0f} % of limits.force.limited"
    )
