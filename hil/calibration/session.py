"""The guided calibration: its loads in order, settled readings, and the result.

Weights are changed with the power off and the lever on its lower end, so that no one has a hand on
a lever that a motor holds. Each load is then held at a few positions (the lever's cosine gives
loads in between), approached from below and from above, so that friction and hysteresis show from
both sides and cancel in the law. Without weights, a reference load cell takes their place: see
``hil.calibration.cell``.
"""

from __future__ import annotations

from collections.abc import Callable, Generator

from hil.calibration.cell import press_on, put_in, take_out
from hil.calibration.diagnostics import stopped_finding
from hil.calibration.evaluation import evaluate
from hil.calibration.load_points import sweep, visit
from hil.calibration.loads import kind_of_loads
from hil.calibration.plan import Options, PlannedLoad, Progress, Session, planned_loads
from hil.calibration.result import (
    Budget,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
)
from hil.calibration.settling import SINKS_S
from hil.procedures import (
    Action,
    BenchStopped,
    Hand,
    Hang,
    Note,
    ProcedureFailed,
    Seen,
    wait_until_resting,
)
from hil.profile import Lever, Profile

__all__ = [
    "Budget",
    "CalibrationFinding",
    "CalibrationPoint",
    "CalibrationResult",
    "Options",
    "PlannedLoad",
    "Progress",
    "SensorLaw",
    "calibrate",
    "planned_loads",
]

USUAL = Options()


def calibrate(
    profile: Profile,
    options: Options = USUAL,
    tell: Callable[[Progress], None] = lambda _progress: None,
) -> Generator[Action, Seen, CalibrationResult]:
    """Run a whole calibration: a procedure for either runner, with an operator.

    A stop of the bench ends it early; the result then states this and holds the points so far.

    Raises:
        ProcedureFailed: a request was refused, or the loads cannot be used.
    """
    plan = planned_loads(profile, options)
    session = Session(profile, options, tell, kind_of_loads(profile, options.loads), plan)
    try:
        yield from (_by_cell if session.kind == "cell" else _by_weights)(session)
    except BenchStopped as stop:
        session.findings.append(stopped_finding(stop))
    session.findings += [
        _never(session, label)
        for label in sorted(session.never - {p.label for p in session.points})
    ]
    session.say("law", "Fitting the law")
    return evaluate(
        profile,
        options.accuracy,
        options.laws,
        session.points,
        session.sensor,
        session.findings,
        planned=len(plan),
        loads=session.kind,
    )


def _by_weights(session: Session) -> Generator[Action, Seen, None]:
    hung = -1.0
    supported = sinking = False
    part = "lever" if isinstance(session.profile.rig, Lever) else "carriage"
    for series, step, load in _visits(session):
        mass = load.mass_kg or 0.0
        if load.mass_kg is None and not supported:
            session.say("load", "Take everything off the rod")
            yield Hand("support_load", _no_load(session.profile))
            supported = True
        if mass != hung:
            text = f"Hang {mass:g} kg" if mass else "Take all weights off"
            session.say("load", text)
            yield Note(f"{_series(session, series, load)}: {text}")
            seen = yield Hang(mass)
            if not seen.accepted:
                raise ProcedureFailed(f"'{text}' was not confirmed: nothing was calibrated")
            hung = mass
            sinking = True
        if load.mass_kg is not None and supported:
            session.say("load", f"Let the {part} act on the rod again")
            yield Hand("free_load", _free(session.profile))
            supported = False
            sinking = True
        if sinking:
            # A load that friction held so far may sink under more weight.
            yield from wait_until_resting(SINKS_S)
            sinking = False
        yield from visit(session, load, series, step)
        if session.options.sweep and session.sensor is None and supported:
            yield from sweep(session)
    if supported:
        yield Hand("free_load", _free(session.profile))


def _by_cell(session: Session) -> Generator[Action, Seen, None]:
    session.say("load", "Take everything off the rod")
    yield Hand("support_load", _no_load(session.profile))
    yield from wait_until_resting(SINKS_S)
    if session.options.sweep:
        yield from sweep(session)
    for series in range(1, session.options.series + 1):
        yield Note(f"{_series(session, series, session.plan[0])}: Mount the load cell")
        yield from put_in(session)
        force = 0.0
        for load in session.plan:
            force = yield from press_on(session, load, series, force)
        yield from take_out(session)
    yield Hand("free_load", _free(session.profile))


def _visits(session: Session) -> list[tuple[int, int, PlannedLoad]]:
    """Return (series from 1, step within it, load) in order."""
    numbers = range(1, session.options.series + 1)
    return [(n, step, load) for n in numbers for step, load in enumerate(session.plan)]


def _series(session: Session, series: int, load: PlannedLoad) -> str:
    way = "loads rising" if load.direction > 0 else "loads falling"
    return f"series {series} of {session.options.series}, {way}"


def _no_load(profile: Profile) -> str:
    if isinstance(profile.rig, Lever):
        return (
            "Take the weights off and balance the lever (a counterweight, a spring balance, or the "
            "rod uncoupled from it), so that nothing acts on the rod and it moves freely."
        )
    if profile.rig.vertical:
        return (
            "Take the weights off and support the carriage (a cord with a counterweight, or the rod "
            "uncoupled from it), so that nothing acts on the rod and it moves freely."
        )
    return "Make sure that nothing acts on the rod and it moves freely; uncouple it if needed."


def _free(profile: Profile) -> str:
    if isinstance(profile.rig, Lever):
        return "Remove the balance again: lever and pan rest on the rod."
    if profile.rig.vertical:
        return "Let the carriage down again, slowly: it rests on the rod."
    return "Couple the rod again if you uncoupled it."


def _never(session: Session, label: str) -> CalibrationFinding:
    if session.kind == "cell":
        return CalibrationFinding(
            "left_out",
            f"'{label}' was left out: the load cell reads more than the calibration so far, so it "
            "would exceed the force limit",
            "use this calibration if nothing else is wrong with it, then calibrate again",
            "warning",
        )
    return CalibrationFinding(
        "left_out",
        f"{label} was not lifted: by the calibration so far it reads more than the force limit "
        "permits",
        "use this calibration if nothing else is wrong with it, then calibrate again",
        "warning",
    )
