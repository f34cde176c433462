"""Plan of a guided calibration: its options, its loads in order, its progress."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from drivers.motion import FORCE, in_words
from hil.calibration.fit_models import LAWS
from hil.calibration.loads import Accuracy, Kind, kind_of_loads, rod_load
from hil.calibration.result import CalibrationFinding, CalibrationPoint, SensorLaw
from hil.calibration.settling import SPEED_M_S
from hil.procedures import ProcedureFailed
from hil.profile import Lever, Profile

FORCE_SHARE = 0.97  # of the limited force that a load may make
NEWTONS = 2.0  # times the permitted load: more than a merely heavy weight
CELL_STEPS = 10  # ISO 376 asks for eight forces or more, evenly over the range (from memory)
CELL_SHARE = 0.92  # of the limited force: the highest of them
Word = Literal["load", "moving", "settling", "point", "sensor", "law"]
Visit = tuple[tuple[float, Literal[-1, 1]], ...]
# Shares of the permitted travel, each with its approach. Used in turn, so that every load is read
# at every position from both sides within three series: effects of the side (friction, hysteresis)
# and of the position (the lever's angle) then cancel in the law.
PATTERNS: tuple[Visit, ...] = (
    ((0.5, 1), (0.07, -1)),
    ((0.07, 1), (0.93, -1)),
    ((0.93, 1), (0.5, -1)),
)


@dataclass(frozen=True)
class Options:
    """Options of a calibration.

    Attributes:
        loads: ``lever``, ``rod`` or ``cell``, see ``hil.calibration.loads.Kind``; empty: weights
            where the rig carries them.
        weights_kg: weights to be hung one at a time; empty: those of the profile.
        forces_N: forces to press on a cell with, above 0; empty: ``CELL_STEPS`` even ones.
        pull: the cell and its mount also withstand pull: the same forces, pulling.
        series: number of times up (and down); every series is a new mounting, since all weights
            come off in between, and the cell is taken out. falling: loads in falling order as
            well.
        sweep: find the sensor's law with the output held.
        laws: laws to choose from; a single one is used without choice.
        accuracy, gravity_m_s2: accuracy of the loads, and gravity; None: the profile's gravity.
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
    loads: Kind | Literal[""] = ""
    forces_N: tuple[float, ...] = ()
    pull: bool = False


@dataclass(frozen=True)
class Progress:
    """One progress report to the operator.

    Attributes:
        kind: ``load`` (a manual action: ``text``), ``moving``, ``settling`` (slope and scatter of
            the last window), ``point`` (taken), ``sensor``, ``law``.
        done, total: points.
    """

    kind: Word
    text: str
    done: int
    total: int
    slope_counts_s: float = float("nan")
    scatter_counts: float = float("nan")
    point: CalibrationPoint | None = None
    sensor: SensorLaw | None = None


@dataclass(frozen=True)
class PlannedLoad:
    """A load of a series.

    Attributes:
        mass_kg: hung, 0 for none; None: nothing at all acts on the rod.
        press_N: force on a reference load cell, − pulls; 0 where weights hang.
    """

    label: str
    mass_kg: float | None
    direction: Literal[-1, 1]
    press_N: float = 0.0


@dataclass
class Session:
    """A calibration in progress."""

    profile: Profile
    options: Options
    tell: Callable[[Progress], None]
    kind: Kind
    plan: list[PlannedLoad]
    total: int = 0
    points: list[CalibrationPoint] = field(default_factory=list)
    sensor: SensorLaw | None = None
    findings: list[CalibrationFinding] = field(default_factory=list)
    never: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.total = sum(
            len(self.pattern(number, step))
            for number in range(1, self.options.series + 1)
            for step in range(len(self.plan))
        )

    def pattern(self, series: int, step: int) -> Visit:
        """Return the positions at which load ``step`` of a series is read, with their approach."""
        if self.kind == "cell":
            return ((0.5, self.plan[step].direction),)
        return PATTERNS[(series + step) % len(PATTERNS)]

    def say(
        self,
        kind: Word,
        text: str,
        slope: float = math.nan,
        scatter: float = math.nan,
        point: CalibrationPoint | None = None,
    ) -> None:
        self.tell(
            Progress(kind, text, len(self.points), self.total, slope, scatter, point, self.sensor)
        )

    def at(self, share: float) -> float:
        travel = self.profile.limits.travel
        return travel.lower + share * (travel.upper - travel.lower)


def planned_loads(profile: Profile, options: Options) -> list[PlannedLoad]:
    """Return the loads of one series, in order.

    Raises:
        ProcedureFailed: loads of that kind do not act on this rig; no weights, an invalid one, or
            a load too heavy for the force limit.
    """
    kind = kind_of_loads(profile, options.loads)
    if kind == "cell":
        return _cell_steps(profile, options)
    weights = options.weights_kg or tuple(profile.rig.weights)
    if not weights:
        raise ProcedureFailed(
            "no weights are named: give --weights, or write rig.weights into the profile"
        )
    if any(not 0.0 < mass < float("inf") for mass in weights):
        raise ProcedureFailed("a weight is not above 0 kg; name masses in kilograms")
    most = FORCE_SHARE * profile.limits.force.limited
    for mass in weights:
        middle = rod_load(
            profile, mass, profile.actuator.stroke / 2, options.accuracy, options.gravity_m_s2
        ).force_N
        if middle > most:
            light = rod_load(profile, mass / 9.81, profile.actuator.stroke / 2).force_N
            newtons = middle > NEWTONS * most and light <= most
            also = "; if it was meant in newtons, give its mass in kilograms" if newtons else ""
            raise ProcedureFailed(
                f"{mass:g} kg would press the rod with {FORCE(middle):.0f}{FORCE}, more than "
                f"{FORCE(most):.0f}{FORCE} "
                f"({100 * FORCE_SHARE:.0f} % of limits.force.limited): take a lighter one{also}"
            )
    alone = in_words("lever alone" if isinstance(profile.rig, Lever) else "carriage alone")
    rising: list[tuple[str, float | None]] = [("no load", None), (alone, 0.0)]
    rising += [(f"{mass:g} kg", mass) for mass in sorted(set(weights))]
    plan = [PlannedLoad(label, mass, 1) for label, mass in rising]
    if options.falling:
        plan += [PlannedLoad(label, mass, -1) for label, mass in rising[-2::-1]]
    return plan


def _cell_steps(profile: Profile, options: Options) -> list[PlannedLoad]:
    limited = profile.limits.force.limited
    most = FORCE_SHARE * limited
    even = tuple(CELL_SHARE * limited * i / CELL_STEPS for i in range(1, CELL_STEPS + 1))
    forces = sorted(set(options.forces_N or even))
    if options.weights_kg:
        raise ProcedureFailed("weights do not hang on a load cell: name forces in newtons instead")
    if any(not 0.0 < force < math.inf for force in forces):
        raise ProcedureFailed(
            f"a force to press with is not above 0{FORCE}; pulling forces follow from the "
            "option to pull"
        )
    if forces[-1] > most:
        raise ProcedureFailed(
            f"{FORCE(forces[-1]):g}{FORCE} is more than {FORCE(most):.0f}{FORCE} "
            f"({100 * FORCE_SHARE:.0f} % of "
            "limits.force.limited): name smaller forces in newtons"
        )
    accuracy = options.accuracy
    if accuracy.cell <= 0.0 and accuracy.cell_N <= 0.0:
        raise ProcedureFailed(
            "the cell's uncertainty is not given: state its standard uncertainty (half of the "
            "expanded one, k = 2, on its certificate) in % of the reading or in N"
        )
    plan = [PlannedLoad("no load", 0.0, 1)]
    for word, sign in (("press", 1.0), ("pull", -1.0))[: 1 + options.pull]:
        labels = [(f"{word} {FORCE(force):.4g}{FORCE}", sign * force) for force in forces]
        plan += [PlannedLoad(label, 0.0, 1, force) for label, force in labels]
        if options.falling:
            plan += [PlannedLoad(label, 0.0, -1, force) for label, force in labels[-2::-1]]
    return [*plan, PlannedLoad("no load", 0.0, -1)] if options.falling else plan
