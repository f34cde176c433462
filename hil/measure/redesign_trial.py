"""A proposed redesign tried on the rig: its force response beside that of the gains in force."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.measure.sheet import Sheet
from hil.measure.sheet_comparison import FigurePair, compare_sheets

TRIED = "force_response"  # the test that shows what the gains do
LEAST_MARGIN_DEG = 30.0  # common practice, no source
MARGINS = tuple(f"{TRIED}.margin_{size}" for size in ("small", "medium"))
LARGER_IS_BETTER = (*MARGINS, *(f"{TRIED}.bandwidth_{size}" for size in ("small", "medium")))


@dataclass(frozen=True)
class Trial:
    """Figures of the force response: first of the gains in force, second of the redesign.

    Attributes:
        pairs: of both sheets; empty if the gains in force were not measured.
        problems: sentences that speak against the redesign; empty if it may be taken over.
    """

    pairs: tuple[FigurePair, ...]
    problems: tuple[str, ...]

    @property
    def accepted(self) -> bool:
        """True if the redesign may be taken over."""
        return not self.problems

    @property
    def sentence(self) -> str:
        if self.accepted:
            return "Tried: the redesign may be taken over."
        return f"Tried: keep the gains in force. {' '.join(self.problems)}"


def judge_trial(before: Sheet, tried: Sheet) -> Trial:
    """Return whether a redesign that was tried is at least as good as the gains in force.

    It is not if a phase margin is below 30°, or if a margin or bandwidth is lower than before by
    more than the uncertainty of both (E_n < −1).
    """
    found = {c.name: c for c in tried.characteristics}
    problems: list[str] = []
    for name in MARGINS:
        figure = found.get(name)
        if figure is None or not math.isfinite(figure.value):
            problems.append(f"{name} was not measured.")
        elif figure.value < LEAST_MARGIN_DEG:
            problems.append(
                f"{figure.title}: {figure.value:.0f}°, below {LEAST_MARGIN_DEG:.0f}°. Fix: lower "
                "control.force_bandwidth."
            )
    compared = compare_sheets(before.as_data(), tried.as_data())
    pairs = tuple(pair for pair in compared.pairs if pair.name.startswith(f"{TRIED}."))
    problems += [
        f"{pair.title}: {pair.second:.4g} {pair.unit}, with the gains in force "
        f"{pair.first:.4g} {pair.unit}."
        for pair in pairs
        if pair.name in LARGER_IS_BETTER and pair.score < -1.0
    ]
    return Trial(pairs, tuple(problems))
