"""Marks across the charts, each with its label if there is room."""

from __future__ import annotations

from collections.abc import Iterable

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from ui.dashboard.bench import Mark
from ui.dashboard.charts.chart_cursors import Plot
from ui.dashboard.charts.chart_view import ChartView
from ui.dashboard.widgets import Theme

ROWS = 3  # of labels, so that marks close together keep theirs


def paint_marks(
    painter: QPainter,
    plots: list[Plot],
    view: ChartView,
    marks: Iterable[Mark],
    theme: Theme,
    scale: float,
) -> None:
    """Draw a line through every plot at each mark in view.

    Labels are in the first plot and never overlap.
    """
    inner, u = plots[0].inner, scale
    metrics = QFontMetricsF(painter.font())
    free_from = [inner.left()] * ROWS
    pen = QPen(QColor(theme.marker), max(1.0, 1.2 * u))
    pen.setDashPattern([3, 3])
    for mark in marks:
        if not view.start_s <= mark.time_s <= view.end_s:
            continue
        x = inner.left() + (mark.time_s - view.start_s) / view.window_s * inner.width()
        painter.setPen(pen)
        for plot in plots:
            painter.drawLine(QPointF(x, plot.inner.top()), QPointF(x, plot.inner.bottom()))
        if not mark.text:
            continue
        text = metrics.elidedText(mark.text, Qt.TextElideMode.ElideRight, 0.4 * inner.width())
        width = metrics.horizontalAdvance(text)
        at = x + 4 * u if x + 4 * u + width < inner.right() else x - 4 * u - width
        row = next((i for i, free in enumerate(free_from) if at >= free), None)
        if row is None:
            continue
        free_from[row] = at + width + 6 * u
        top = inner.top() + row * metrics.height()
        back = QRectF(at - 2 * u, top, width + 4 * u, metrics.height())
        painter.fillRect(back, QColor(theme.ground))
        painter.setPen(QColor(theme.marker))
        painter.drawText(QPointF(at, top + metrics.ascent()), text)
