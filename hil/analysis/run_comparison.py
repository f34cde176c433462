"""Figures of several runs side by side: differences with their uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from drivers.motion import restated, unit_name
from hil.analysis.measures import Figure, Measured

# Value, uncertainty and unit of each kind of figure.
_READ = {
    "constant_force": ("mean_N", "u95_N", "N", "mean force"),
    "virtual_spring": ("measured_N_per_mm", "u95_N_per_mm", "N/mm", "stiffness"),
    "hold": ("sag_mm", "u95_mm", "mm", "sag"),
    "stop": ("to_wire_ms", "", "ms", "stop to the wire"),
}


@dataclass(frozen=True)
class FigureDifference:
    """A figure of one run against that of the first.

    Attributes:
        difference: this run's less the first one's, in ``unit``.
        u95: its expanded uncertainty √(U₁² + U₂²), NaN if one of them is not known.
        score: E_n = difference/u95 (ISO 13528:2022, 9.7, from memory), NaN likewise.
        sound: whether both readings were undisturbed.
    """

    what: str
    name: str
    unit: str
    run: int
    first: float
    value: float
    difference: float
    u95: float
    score: float
    sound: bool

    @property
    def differs(self) -> bool:
        """True if |E_n| exceeds 1."""
        return abs(self.score) > 1.0

    @property
    def line(self) -> str:
        """The difference as text."""
        shown, unit = partial(restated, unit=self.unit), unit_name(self.unit)
        text = (
            f"{self.what} '{self.name}': {shown(self.first):.4g} → {shown(self.value):.4g} {unit}, "
        )
        text += f"difference {shown(self.difference):+.3g}"
        if math.isfinite(self.u95):
            text += f" ± {shown(self.u95):.2g} {unit} (k = 2), E_n {self.score:+.2f}: "
            text += "differs" if self.differs else "no difference detected"
        else:
            text += f" {unit}, uncertainty not known"
        return (text if self.sound else f"{text}; a reading is disturbed").replace("-", "−")


def compare_figures(measured: Sequence[Measured]) -> list[FigureDifference]:
    """Return the differences of every later run's figures from those of the first, by kind and name.

    Figures of the same kind and name in a run are paired in order.
    """
    found = []
    one = _by_key(measured[0].figures)
    for number, other in enumerate(measured[1:], 1):
        two = _by_key(other.figures)
        found += [_difference(one[key], two[key], number) for key in one if key in two]
    return [difference for difference in found if math.isfinite(difference.difference)]


def normalized_error(
    first: float, value: float, u_first: float, u_value: float
) -> tuple[float, float, float]:
    """Return value − first, its expanded uncertainty √(U₁² + U₂²), and E_n, their quotient.

    ISO 13528:2022, 9.7, from memory. E_n is NaN if an uncertainty is not known, or both are 0.
    """
    difference, u95 = value - first, math.hypot(u_first, u_value)
    return difference, u95, difference / u95 if u95 > 0.0 else math.nan


def _by_key(figures: Sequence[Figure]) -> dict[tuple[str, str, int], Figure]:
    counts: dict[tuple[str, str], int] = {}
    found = {}
    for figure in figures:
        key = (figure.kind, figure.name)
        counts[key] = counts.get(key, 0) + 1
        found[(*key, counts[key])] = figure
    return found


def _difference(one: Figure, two: Figure, run: int) -> FigureDifference:
    value_key, u_key, unit, what = _READ[one.kind]
    first, value = (_number(figure.values.get(value_key)) for figure in (one, two))
    u_first, u_value = (_number(figure.values.get(u_key)) for figure in (one, two))
    difference, u95, score = normalized_error(first, value, u_first, u_value)
    sound = not (one.verdict.disturbed or two.verdict.disturbed)
    return FigureDifference(what, one.name, unit, run, first, value, difference, u95, score, sound)


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan
