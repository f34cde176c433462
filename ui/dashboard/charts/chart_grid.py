"""Horizontal lines of a chart at round values, with their numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from ui.dashboard.bench import number
from ui.dashboard.widgets import Theme

BESIDE = 0.6  # largest distance of a number from its line, in heights of digits
LEAST_APART = 0.75  # of a line of text, from one number to the next


def paint_grid(
    painter: QPainter,
    inner: QRectF,
    ticks: Sequence[float],
    decimals: int,
    y_of: Callable[[float], float],
    theme: Theme,
    *,
    gap: float,
    free: tuple[float, float],
) -> None:
    """Draw a line at each value, and its number left of the plotting area.

    Args:
        inner: plotting area, logical pixels.
        y_of: height of a value, logical pixels.
        gap: between the area and the numbers, logical pixels.
        free: heights between which a number is neither clipped nor overlaps another text.
    """
    metrics = QFontMetricsF(painter.font())
    every = _every(ticks, y_of, 0.9 * metrics.height())  # digits have no descenders
    apart = abs(y_of(ticks[1]) - y_of(ticks[0])) if len(ticks) > 1 else math.inf
    room = every * apart
    nought = ticks.index(0.0) if 0.0 in ticks else 0
    for place, value in enumerate(ticks):
        y = round(y_of(value)) + 0.5
        painter.setPen(QPen(QColor(theme.rule if value == 0 else theme.grid), 1))
        painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
        if (place - nought) % every:
            continue
        half = metrics.capHeight() / 2
        base = y + half
        # At an edge a number is shifted a little off its line, if its neighbour leaves room.
        moved = min(max(base, free[0] + half), free[1])
        if abs(moved - base) > min(BESIDE * 2 * half, room - LEAST_APART * metrics.height()):
            continue
        text = number(value, decimals)
        painter.setPen(QColor(theme.quiet))
        at = inner.left() - gap - metrics.horizontalAdvance(text)
        painter.drawText(QPointF(at, moved), text)


def _every(ticks: Sequence[float], y_of: Callable[[float], float], height: float) -> int:
    """Return n such that every n-th line has room for its number."""
    if len(ticks) < 2:
        return 1
    apart = abs(y_of(ticks[1]) - y_of(ticks[0]))
    return max(1, math.ceil(height / apart)) if apart > 0.0 else len(ticks)
