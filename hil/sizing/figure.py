"""A figure of a combination, and its margin to the requirement."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes:
        key: with the unit of ``value``.
        required: bound on it, None without a requirement.
        least: the bound is a lower one.
        note: what limits it, or its formula.
        enough: share of ``required`` that meets it. Below 1 the figure is designed for it
            and has no reserve: once met, its margin means nothing.
    """

    key: str
    label: str
    value: float
    unit: str
    required: float | None = None
    least: bool = True
    note: str = ""
    enough: float = 1.0

    @property
    def margin(self) -> float:
        """Ratio to the requirement: 1 just meets it; infinite without a requirement."""
        if self.required is None:
            return math.inf
        if math.isnan(self.value):
            return 0.0
        above, below = (self.value, self.required) if self.least else (self.required, self.value)
        if below <= 0:
            return math.inf if above >= below else 0.0
        ratio = max(0.0, above / below)
        return math.inf if self.enough <= ratio and self.enough < 1 else ratio

    @property
    def met(self) -> bool:
        return self.margin >= 1 - 1e-9
