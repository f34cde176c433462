"""Comparison of two data sheets: differences with their uncertainty and E_n (ISO 13528)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hil.analysis import normalized_error


@dataclass(frozen=True)
class FigurePair:
    """One figure of both sheets; ``difference`` is second minus first, u95 its uncertainty.

    ``score`` is E_n = difference/√(U₁² + U₂²) (ISO 13528:2022, 9.7, from memory); NaN if one of
    the uncertainties is not known.
    """

    name: str
    title: str
    unit: str
    first: float
    second: float
    difference: float
    u95: float
    score: float

    @property
    def differs(self) -> bool:
        """True if |E_n| exceeds 1."""
        return abs(self.score) > 1.0

    def as_data(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "title": self.title,
            "unit": self.unit,
            "first": self.first,
            "second": self.second,
            "difference": self.difference,
            "u95": self.u95,
            "e_n": self.score,
            "differs": self.differs,
        }


@dataclass(frozen=True)
class SheetComparison:
    """All figures that both sheets have, and the names that only one of them has."""

    pairs: tuple[FigurePair, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]

    @property
    def differing(self) -> list[FigurePair]:
        return [pair for pair in self.pairs if pair.differs]


def compare_sheets(first: Mapping[str, Any], second: Mapping[str, Any]) -> SheetComparison:
    """Compare the data of two sheets, as ``read_sheet`` returns them.

    A figure with different units in the two sheets counts as two figures.
    """
    one, other = (
        {f"{f['name']} ({f['unit']})": f for f in sheet["figures"]} for sheet in (first, second)
    )
    pairs = tuple(_pair(one[key], other[key]) for key in one if key in other)
    return SheetComparison(
        pairs,
        tuple(one[key]["name"] for key in one if key not in other),
        tuple(other[key]["name"] for key in other if key not in one),
    )


def _pair(one: Mapping[str, Any], other: Mapping[str, Any]) -> FigurePair:
    a, b, u_a, u_b = (
        math.nan if value is None else float(value)
        for value in (one["value"], other["value"], one["u95"], other["u95"])
    )
    error = normalized_error(a, b, u_a, u_b)
    return FigurePair(one["name"], one["title"], one["unit"], a, b, *error)
