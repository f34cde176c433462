"""Characteristics: figures of a data sheet, each with uncertainty, prediction, limit and truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.motion import in_words, is_rotary, restated, restated_axis, unit_name

Floats = NDArray[np.float64]
COVERAGE = 0.95
TORQUE_SHARE = 0.01  # of the drive's torque, expanded: common practice, no source


class RecordedRun(Protocol):
    """Columns by their name, and the events in order."""

    @property
    def events(self) -> list[dict[str, Any]]: ...

    def column(self, name: str) -> Any: ...


@dataclass(frozen=True)
class Characteristic:
    """One figure of the data sheet.

    Attributes:
        name: unique in the sheet; title: for people.
        value: measured, in ``unit``; u95: its expanded uncertainty (k = 2), NaN if none is stated.
        predicted: value from the profile's design, predicted_u95 its own uncertainty; NaN if none.
        limit: limit of the profile, NaN if none.
        truth: true value of a simulated rig, NaN elsewhere.
        conditions: conditions under which it holds.
        causes: likely reasons for a difference from the prediction.
    """

    name: str
    title: str
    value: float
    u95: float
    unit: str
    predicted: float = math.nan
    predicted_u95: float = math.nan
    limit: float = math.nan
    truth: float = math.nan
    conditions: str = ""
    causes: str = ""

    def as_shown(self) -> Characteristic:
        """Return it in the unit that people read: of a rotary actuator not the one inside."""
        unit = unit_name(self.unit)
        if not is_rotary():
            return self
        names = ("value", "u95", "predicted", "predicted_u95", "limit", "truth")
        numbers: dict[str, Any] = {
            name: float(restated(getattr(self, name), self.unit)) for name in names
        }
        for name in ("title", "conditions", "causes"):
            numbers[name] = in_words(getattr(self, name))
        return replace(self, unit=unit, **numbers)

    @property
    def differs(self) -> bool:
        """True if measured and predicted differ by more than both uncertainties together."""
        if not math.isfinite(self.predicted) or not math.isfinite(self.value):
            return False
        parts = [u for u in (self.u95, self.predicted_u95) if math.isfinite(u)]
        # A figure may be a NumPy scalar: JSON cannot write the NumPy bool of its comparison.
        return bool(parts and abs(self.value - self.predicted) > math.hypot(*parts))

    @property
    def covered(self) -> bool | None:
        """True if value ± u95 covers the truth; None if one of them is not known."""
        if not all(map(math.isfinite, (self.value, self.u95, self.truth))):
            return None
        return bool(abs(self.value - self.truth) <= self.u95)


@dataclass(frozen=True, eq=False)  # arrays do not compare to a single bool
class Line:
    """One line of a diagram; NaN breaks it. ``kind``: measured, predicted or limit.

    ``points`` marks each value; values without an order are not ``joined``.
    """

    label: str
    x: Floats
    y: Floats
    kind: str = "measured"
    points: bool = False
    joined: bool = True


@dataclass(frozen=True, eq=False)
class Diagram:
    """One plot of the data sheet, given in a linear actuator's units and kept in those spoken of."""

    title: str
    x_label: str
    y_label: str
    lines: tuple[Line, ...]
    log_x: bool = False

    def __post_init__(self) -> None:
        (x_label, x), (y_label, y) = restated_axis(self.x_label), restated_axis(self.y_label)
        if not is_rotary():
            return
        lines = tuple(
            replace(line, label=in_words(line.label), x=x * line.x, y=y * line.y)
            for line in self.lines
        )
        for name, value in (
            ("title", in_words(self.title)),
            ("x_label", in_words(x_label)),
            ("y_label", in_words(y_label)),
            ("lines", lines),
        ):
            object.__setattr__(self, name, value)


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Result of one recorded test.

    ``notes`` are sentences for the sheet: what could not be measured and why.
    """

    characteristics: tuple[Characteristic, ...] = ()
    diagrams: tuple[Diagram, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Window:
    """Rows ``begin`` to ``end`` between the markers ``begin NAME`` and ``end NAME``."""

    name: str
    begin: int
    end: int
    values: Mapping[str, float] = field(default_factory=dict)


def windows(run: RecordedRun, name: str) -> list[Window]:
    """Return the marked windows called ``name``, in order; unfinished ones are left out."""
    cycles = np.asarray(run.column("cycle"))
    found: list[Window] = []
    begun: dict[str, Any] | None = None
    for event in run.events:
        if event["kind"] != "marker":
            continue
        if event["text"] == f"begin {name}":
            begun = event
        elif event["text"] == f"end {name}" and begun is not None:
            first, last = np.searchsorted(cycles, (begun["cycle"], event["cycle"]), side="right")
            if last > first:
                found.append(Window(name, int(first), int(last), begun.get("values", {})))
            begun = None
    return found


def cut(run: RecordedRun, window: Window, name: str) -> Floats:
    """Return one column of a window."""
    return np.asarray(run.column(name), dtype=float)[window.begin : window.end]


def students_factor(degrees: int) -> float:
    """Return the factor of the expanded uncertainty for these degrees of freedom (JCGM 100:2008, G.3)."""
    from scipy.special import stdtrit  # slow to load

    return float(stdtrit(degrees, 0.5 + COVERAGE / 2))


def mean_u95(values: Floats, systematic_u95: float = 0.0) -> tuple[float, float]:
    """Return mean and expanded uncertainty of repeated readings (JCGM 100:2008, 4.2 and G.3).

    Student's factor replaces k = 2 if there are few. ``systematic_u95`` is added in
    quadrature.

    Raises:
        ValueError: fewer than two finite readings.
    """
    values = values[np.isfinite(values)]
    if len(values) < 2:
        raise ValueError(f"{len(values)} readings: at least two are needed")
    spread = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    factor = students_factor(len(values) - 1)
    return float(np.mean(values)), math.hypot(factor * spread, systematic_u95)


def jackknife_u95(left_out: Floats, whole: float) -> float:
    """Return the expanded uncertainty of ``whole`` from estimates that leave one part out each.

    Delete-one jackknife (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, 11.5, from
    memory), with Student's factor.

    Raises:
        ValueError: fewer than three estimates are finite.
    """
    left_out = left_out[np.isfinite(left_out)]
    n = len(left_out)
    if n < 3 or not math.isfinite(whole):
        raise ValueError(f"{n} estimates: at least three are needed")
    variance = (n - 1) / n * float(np.sum((left_out - np.mean(left_out)) ** 2))
    return students_factor(n - 1) * math.sqrt(variance)
