"""The guided calibration: what to hang next, when it has settled, and what comes of it.

Weights change with the power off and the lever on its lower end, so that nobody's hand is at
a lever that a motor holds. Each load is then held at a few positions (the lever's cosine makes
loads in between) and approached from below and from above, so that friction and hysteresis
show from both sides and cancel in the law.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import Literal

from hil.calibrating.evaluation import evaluate
from hil.calibrating.holding import (
    SCATTER,
    SINKS_S,
    SPEED_M_S,
    energise,
    hold_at,
    let_down,
    noise_counts,
    settle,
    trend,
)
from hil.calibrating.judge import stopped_finding
from hil.calibrating.laws import LAWS, FitError
from hil.calibrating.loads import Accuracy, RodLoad, rod_load
from hil.calibrating.result import (
    Budget,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
)
from hil.calibrating.sweep import STAGES, bring, much_as_so_far, press, rest
from hil.procedure import (
    Action,
    BenchStopped,
    Hand,
    Hang,
    Note,
    Pause,
    ProcedureFailed,
    Seen,
    column,
    wait_until_resting,
)
from hil.profile.schema import Lever, Profile

__all__ = [
    "Budget",
    "CalibrationFinding",
    "CalibrationPoint",
    "CalibrationResult",
    "Options",
    "Progress",
    "SensorLaw",
    "calibrate",
    "planned_loads",
]

FORCE_SHARE = 0.97  # of the bounded force that a load may make
NEWTONS = 2.0  # times what may be lifted: no mere heavy weight any more
MOST_OFF = 1.25
LIKE_HEAVY = 0.7  # of the heaviest so far: loads that tell how the next one will read

Visit = tuple[tuple[float, Literal[-1, 1]], ...]
# Shares of the permitted travel, each with its approach. Taken in turn, so that every load meets
# every position from both sides within three series: what depends on the side (friction,
# hysteresis) or on the position (the lever's angle) then cancels in the law.
PATTERNS: tuple[Visit, ...] = (
    ((0.5, 1), (0.07, -1)),
    ((0.07, 1), (0.93, -1)),
    ((0.93, 1), (0.5, -1)),
)


@dataclass(frozen=True)
class Options:
    """How a calibration is made.

    Attributes:
        weights_kg: to be hung one at a time; empty: those of the profile.
        series: up (and down) so many times; every series is a mounting of its own, since all
            weights come off in between. falling: hang the loads in falling order as well.
        sweep: find the sensor's law with the output held.
        laws: to choose from; one alone is taken without choice.
        accuracy, gravity_m_s2: of the loads; None: the profile's gravity.
        speed_m_s: between positions. read_s: length of a reading.
    """

    weights_kg: tuple[float, ...] = ()
    series: int = 3
    falling: bool = True
    sweep: bool = True
    laws: tuple[str, ...] = LAWS
    accuracy: Accuracy = field(default_factory=Accuracy)
    gravity_m_s2: float | None = None
    speed_m_s: float = SPEED_M_S
    read_s: float = 0.3


@dataclass(frozen=True)
class Progress:
    """One thing that whoever watches is told.

    Attributes:
        kind: ``load`` (something to be done by hand: ``text``), ``moving``, ``settling`` (slope
            and scatter of the last window), ``point`` (taken), ``sensor``, ``law``.
        done, total: points.
    """

    kind: Literal["load", "moving", "settling", "point", "sensor", "law"]
    text: str
    done: int
    total: int
    slope_counts_s: float = float("nan")
    scatter_counts: float = float("nan")
    point: CalibrationPoint | None = None
    sensor: SensorLaw | None = None


@dataclass(frozen=True)
class PlannedLoad:
    """A load of a series; ``mass_kg`` None: nothing at all acts on the rod."""

    label: str
    mass_kg: float | None
    direction: Literal[-1, 1]


@dataclass
class _Session:
    profile: Profile
    options: Options
    tell: Callable[[Progress], None]
    total: int
    points: list[CalibrationPoint] = field(default_factory=list)
    sensor: SensorLaw | None = None
    findings: list[CalibrationFinding] = field(default_factory=list)

    def say(self, kind: Literal["load", "moving", "settling", "point", "sensor", "law"], text: str,
            slope: float = float("nan"), scatter: float = float("nan"),
            point: CalibrationPoint | None = None) -> None:  # fmt: skip
        self.tell(
            Progress(kind, text, len(self.points), self.total, slope, scatter, point, self.sensor)
        )

    def at(self, share: float) -> float:
        travel = self.profile.limits.travel
        return travel.lower + share * (travel.upper - travel.lower)

    def bearable(self, load: PlannedLoad, share: float) -> bool:
        """Whether the force limit lets the load be lifted there.

        The limit acts on the force by the calibration so far, which may read springs of one
        drawing several percent too high: seen at the loads before this one.
        """
        if load.mass_kg is None or not self.points:
            return True
        known = _load(self, load, self.at(share)).force_N
        heavy = max(p.load_N for p in self.points)
        reads = max(
            (float(column(p.rows, "spring_force_N").mean()) / p.load_N
             for p in self.points if p.load_N > LIKE_HEAVY * heavy > 0.0),
            default=1.0,
        )  # fmt: skip
        if reads > MOST_OFF:
            reads = 1.0  # no spring reads like that: another weight hangs than the one named
        return known * reads <= FORCE_SHARE * self.profile.limits.force.bounded


def planned_loads(profile: Profile, options: Options) -> list[PlannedLoad]:
    """The loads of one series, in order.

    Raises:
        ProcedureFailed: no weights, one that is none, or one too heavy for the force limit.
    """
    weights = options.weights_kg or tuple(profile.rig.weights)
    if not weights:
        raise ProcedureFailed(
            "no weights are named: give --weights, or write rig.weights into the profile"
        )
    if any(not 0.0 < mass < float("inf") for mass in weights):
        raise ProcedureFailed("a weight is not above 0 kg; name masses in kilograms")
    most = FORCE_SHARE * profile.limits.force.bounded
    for mass in weights:
        middle = rod_load(profile, mass, profile.actuator.stroke / 2, options.accuracy,
                          options.gravity_m_s2).force_N  # fmt: skip
        if middle > most:
            light = rod_load(profile, mass / 9.81, profile.actuator.stroke / 2).force_N
            newtons = middle > NEWTONS * most and light <= most
            also = "; if it was meant in newtons, give its mass in kilograms" if newtons else ""
            raise ProcedureFailed(
                f"{mass:g} kg would press the rod with {middle:.0f} N, more than {most:.0f} N "
                f"({100 * FORCE_SHARE:.0f} % of limits.force.bounded): take a lighter one{also}"
            )
    alone = "lever alone" if isinstance(profile.rig, Lever) else "carriage alone"
    rising: list[tuple[str, float | None]] = [("no load", None)]
    if isinstance(profile.rig, Lever) or profile.rig.vertical:
        rising.append((alone, 0.0))
    rising += [(f"{mass:g} kg", mass) for mass in sorted(set(weights))]
    plan = [PlannedLoad(label, mass, 1) for label, mass in rising]
    if options.falling:
        plan += [PlannedLoad(label, mass, -1) for label, mass in rising[-2::-1]]
    return plan


def calibrate(
    profile: Profile,
    options: Options = Options(),
    tell: Callable[[Progress], None] = lambda _progress: None,
) -> Generator[Action, Seen, CalibrationResult]:
    """A whole calibration: a procedure for either runner. It needs an operator.

    A stop of the bench ends it early; the result then says so and holds what there is.

    Raises:
        ProcedureFailed: a request was refused, or the weights cannot be used.
    """
    plan = planned_loads(profile, options)
    visits = [(number, load) for number in range(1, options.series + 1) for load in plan]
    total = sum(len(_pattern(number, i % len(plan))) for i, (number, _) in enumerate(visits))
    session = _Session(profile, options, tell, total)
    hung = -1.0
    never: set[str] = set()
    supported = sinking = False
    try:
        for i, (series, load) in enumerate(visits):
            mass = load.mass_kg or 0.0
            if load.mass_kg is None and not supported:
                session.say("load", "Take everything off the rod")
                yield Hand("support_load", _NO_LOAD)
                supported = True
            if mass != hung:
                text = f"Hang {mass:g} kg" if mass else "Take all weights off"
                session.say("load", text)
                yield Note(f"series {series} of {options.series}, {_way(load)}: {text}")
                seen = yield Hang(mass)
                if not seen.accepted:
                    raise ProcedureFailed(f"'{text}' was not confirmed: nothing was calibrated")
                hung = mass
                sinking = True
            if load.mass_kg is not None and supported:
                session.say("load", "Let the lever act on the rod again")
                yield Hand("free_load", _FREE)
                supported = False
                sinking = True
            if sinking:
                # What friction held up so far may sink under more weight.
                yield from wait_until_resting(SINKS_S)
                sinking = False
            pattern = _pattern(series, i % len(plan))
            bearable = tuple(point for point in pattern if session.bearable(load, point[0]))
            if len(bearable) < len(pattern):
                session.total -= len(pattern) - len(bearable)
                yield Note(_left_out(session, load, [p for p in pattern if p not in bearable]))
            if bearable:
                yield from _visit(session, load, series, bearable)
            else:
                never.add(load.label)
            if options.sweep and session.sensor is None and supported:
                yield from _sweep(session)
        if supported:
            yield Hand("free_load", _FREE)
    except BenchStopped as stop:
        session.findings.append(stopped_finding(stop))
    session.findings += [
        _never(label) for label in sorted(never - {p.label for p in session.points})
    ]
    session.say("law", "Fitting the law")
    return evaluate(
        profile, options.accuracy, options.laws, session.points, session.sensor,
        session.findings, planned=len(plan),
    )  # fmt: skip


_NO_LOAD = (
    "Take the weights off and balance the lever (a counterweight, a spring balance, or the rod "
    "uncoupled from it), so that nothing acts on the rod and it moves freely."
)
_FREE = "Take the balance away again: lever and pan rest on the rod."
_HOLD = "Clamp the output so that the rod cannot move at all. Keep your hands away."
_LET = "Take the clamp off the output."


def _way(load: PlannedLoad) -> str:
    return "loads rising" if load.direction > 0 else "loads falling"


def _pattern(series: int, step: int) -> Visit:
    return PATTERNS[(series + step) % len(PATTERNS)]


def _never(label: str) -> CalibrationFinding:
    return CalibrationFinding(
        "left_out",
        f"{label} was not lifted: by the calibration so far it reads as more than the force limit "
        "permits",
        "take over this calibration if nothing else is wrong with it, then calibrate again",
        "warning",
    )


def _left_out(session: _Session, load: PlannedLoad, positions: list[tuple[float, int]]) -> str:
    where = " and ".join(f"{1e3 * session.at(share):.1f} mm" for share, _ in positions)
    return (
        f"{load.label} is left out at {where}: by the calibration so far it would read as more "
        f"than {100 * FORCE_SHARE:.0f} % of limits.force.bounded"
    )


def _visit(
    session: _Session, load: PlannedLoad, series: int, pattern: Visit
) -> Generator[Action, Seen, None]:
    """One load: power on, its points, down again, power off."""
    speed = session.options.speed_m_s
    output = yield from energise()
    for share, approach in pattern:
        goal = session.at(share)
        session.say("moving", f"{load.label}: to {1e3 * goal:.1f} mm")
        yield from hold_at(goal, output, approach, speed)
        output = yield from _read(session, load, series, approach, goal)
    yield from let_down(session.profile, output, speed)


def _read(
    session: _Session,
    load: PlannedLoad,
    series: int,
    approach: Literal[-1, 1],
    goal: float,
) -> Generator[Action, Seen, float]:
    """Wait until the reading rests, then take it; returns where the output is."""

    def tell(slope: float, scatter: float) -> None:
        session.say("settling", load.label, slope, scatter)

    settled = yield from settle(session.profile, tell)
    seen = yield Pause(session.options.read_s)
    rows = seen.rows
    slope, scatter, mean = trend(rows)
    output = float(column(rows, "output_position_m").mean())
    known = _load(session, load, output)
    point = CalibrationPoint(
        load.label, load.mass_kg or 0.0, known.force_N, known.u_N, known.parts, mean, scatter,
        len(rows), series, load.direction, approach, series, output,
        float(column(rows, "motor_force_N").mean()),
        settled and scatter < 2 * SCATTER * noise_counts(session.profile), False, rows, goal,
    )  # fmt: skip
    session.points.append(point)
    session.say("point", load.label, slope, scatter, point)
    return output


def _load(session: _Session, load: PlannedLoad, output_m: float) -> RodLoad:
    options = session.options
    known = rod_load(
        session.profile, load.mass_kg or 0.0, output_m, options.accuracy, options.gravity_m_s2
    )
    if load.mass_kg is None:
        return RodLoad(0.0, dict.fromkeys(known.parts, 0.0))
    return known


def _sweep(session: _Session) -> Generator[Action, Seen, None]:
    """The sensor's law, with the output held: gently first."""
    profile = session.profile
    session.say("moving", "No load: to where the output is to be clamped")
    # In the middle no soft end bounds the force, either way.
    yield from bring(profile, session.at(0.5), session.options.speed_m_s)
    session.say("load", "Clamp the output")
    yield Hand("hold_output", _HOLD)
    yield from energise()
    session.say("sensor", "Springs pressed and let go against the clamp")
    try:
        for share, quarter_s in STAGES:
            session.sensor = yield from press(profile, share, quarter_s)
            if not much_as_so_far(profile, session.sensor):
                yield Note(
                    "motor and springs disagree: the springs are not pressed harder than "
                    f"{share * profile.limits.force.bounded:.0f} N against the clamp"
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
    yield Hand("let_output_go", _LET)
    session.say("sensor", "Sensor law found" if session.sensor else "No sensor law")
