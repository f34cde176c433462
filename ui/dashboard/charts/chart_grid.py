"""Horizontal lines of a chart at round values, with their numbers."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from ui.dashboard.bench import number
from ui.dashboard.widgets import Theme


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
        free: heights between which a number is neither cut nor in another text.
    """
    metrics = QFontMetricsF(painter.font())
    every = _every(ticks, y_of, 0.9 * metrics.height())  # digits have no descenders
    nought = ticks.index(0.0) if 0.0 in ticks else 0
    for place, value in enumerate(ticks):
        y = round(y_of(value)) + 0.5
        painter.setPen(QPen(QColor(theme.rule if value == 0 else theme.grid), 1))
        painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
        middle = y + metrics.capHeight() / 2
        if y < free[0] or middle > free[1] or (place - nought) % every:
            continue
        text = number(value, decimals)
        painter.setPen(QColor(theme.quiet))
        at = inner.left() - gap - metrics.horizontalAdvance(text)
        painter.drawText(QPointF(at, middle), text)


def _every(ticks: Sequence[float], y_of: Callable[[float], float], height: float) -> int:
    """Return n where every n-th line has room for its number."""
    if len(ticks) < 2:
        return 1
    apart = abs(y_of(ticks[1]) - y_of(ticks[0]))
    return max(1, math.ceil(height / apart)) if apart > 0.0 else len(ticks)
