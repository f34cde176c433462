"""Room for a legend in a plot: a corner that no curve enters, or a range that leaves one free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

CORNERS = ((1, 0), (0, 0), (1, 1), (0, 1))  # right and left above, right and left below
ALONG = 8  # points checked along the line between two samples
CLEAR = 0.02  # of the plot, between a legend and the next curve
TALLEST = 0.65  # of the plot: a taller legend does not extend the range


@dataclass(frozen=True)
class LegendRoom:
    """Place of a legend.

    Attributes:
        right, low: its corner, 0 or 1 each.
        more: extension of the range on the legend's side, as a share of the curves' range.
    """

    right: int
    low: int
    more: float = 0.0


def legend_room(
    lines: Sequence[tuple[ArrayLike, ArrayLike]], wide: float, high: float
) -> LegendRoom:
    """Return the corner where a legend hides no curve, and the range that it needs for that.

    Args:
        lines: x and y of each curve, each of shape (n,); gaps are NaN.
        wide, high: size of the legend, in shares of the plot.
    """
    across, up = _shares(lines)
    if not len(across):
        return LegendRoom(*CORNERS[0])
    best, needed = CORNERS[0], np.inf
    for corner in CORNERS:
        right, low = corner
        beside = across >= 1 - wide if right else across <= wide
        reach = 1 - up[beside] if low else up[beside]
        # The curves there end at this share of the height; the legend needs the rest.
        taken = float(reach.max()) if len(reach) else 0.0
        if taken < needed:
            best, needed = corner, taken
    free = min(high + CLEAR, TALLEST)
    more = max(0.0, needed / (1 - free) - 1.0)
    return LegendRoom(*best, more)


def _shares(
    lines: Sequence[tuple[ArrayLike, ArrayLike]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points along all curves in shares of their common range."""
    steps = np.arange(ALONG) / ALONG
    x_of, y_of = [np.empty(0)], [np.empty(0)]
    for x_given, y_given in lines:
        x, y = np.asarray(x_given, dtype=float), np.asarray(y_given, dtype=float)
        for values, into in ((x, x_of), (y, y_of)):
            between = values[:-1, None] + np.diff(values)[:, None] * steps
            into.append(np.concatenate((between.ravel(), values[-1:])))
            into.append(values)  # a point between two gaps belongs to no line
    x, y = np.concatenate(x_of), np.concatenate(y_of)
    seen = np.isfinite(x) & np.isfinite(y)
    x, y = x[seen], y[seen]
    if not len(x):
        return x, y
    across = (x - x.min()) / (float(np.ptp(x)) or 1.0)
    return across, (y - y.min()) / (float(np.ptp(y)) or 1.0)
