"""Ticks of a logarithmic axis. No Qt."""

from __future__ import annotations

import math

STEPS = (1, 2, 5)  # in each decade


def log_ticks(lowest: float, highest: float) -> list[tuple[float, str]]:
    """Return positions and labels of the ticks of an axis.

    Args:
        lowest: logarithm of the smallest value on the axis.
        highest: logarithm of the largest.
    """
    decades = range(math.floor(lowest), math.ceil(highest) + 1)
    values = [step * 10.0**decade for decade in decades for step in STEPS]
    return [(math.log10(value), f"{value:g}") for value in values]
