"""A figure of a combination, and its margin to the requirement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from drivers.motion import Quantity, in_words

# Endings of keys by unit.
ENDINGS = {
    "N": "N",
    "mm": "mm",
    "mm/s": "mm_s",
    "N/mm": "N_per_mm",
    "kg": "kg",
    "N·m": "N_m",
    "°": "deg",
    "°/s": "deg_s",
    "N·m/rad": "N_m_per_rad",
    "kg·m²": "kg_m2",
}


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes:
        key: key with the unit of ``value``.
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

    @classmethod
    def along(
        cls,
        quantity: Quantity,
        key: str,
        label: str,
        value: float,
        required: float | None = None,
        *,
        note: str = "",
        **others: Any,
    ) -> Figure:
        """Return a figure along the motion of the output, in the unit that is spoken of.

        Args:
            key: key without its unit, which is added. label, note: of a linear actuator.
            value, required: inside, see :mod:`drivers.motion`.
        """
        return cls(
            f"{key}_{ENDINGS[quantity.unit]}",
            in_words(label),
            float(quantity(value)),
            quantity.unit,
            None if required is None else float(quantity(required)),
            note=in_words(note),
            **others,
        )

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
