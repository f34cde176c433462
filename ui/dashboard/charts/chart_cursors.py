"""Cursors of the strip charts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen

from ui.dashboard.bench import TRACE_INDEX, number
from ui.dashboard.charts.chart_view import ChartView, Panel, Trace
from ui.dashboard.widgets import Theme


@dataclass
class Plot:
    """A panel's place: whole and plotting area in logical pixels."""

    panel: Panel
    outer: QRectF
    inner: QRectF


def paint_cursors(
    painter: QPainter, view: ChartView, plots: list[Plot], theme: Theme, u: float
) -> None:
    """Draw the cursor lines and, next to them, the values of every trace."""
    if not view.cursors:
        return
    samples = [view.buffer.sample_at(time_s) for time_s in view.cursors]
    places = []
    for time_s in view.cursors:
        inner = plots[0].inner
        places.append(inner.left() + (time_s - view.start_s) / view.window_s * inner.width())
    for x, name in zip(places, "AB", strict=False):
        if not inner.left() <= x <= inner.right():
            continue
        paint_cursor(painter, x, [(p.inner.top(), p.inner.bottom()) for p in plots], name, theme, u)
    if samples[0] is None:
        return
    for plot in plots:
        rows = []
        for trace in reversed(plot.panel.traces):
            rows.append((trace, _text(trace, plot.panel, samples)))
        _box(painter, plot.inner, places, rows, theme, u)


def paint_cursor(
    painter: QPainter,
    x: float,
    stretches: Sequence[tuple[float, float]],
    name: str,
    theme: Theme,
    u: float,
) -> None:
    """Draw a line over stretches from top to bottom, logical pixels, and its name below the last."""
    line = QFontMetricsF(painter.font()).height()
    painter.setPen(QPen(QColor(theme.ink), max(1.0, u)))
    for top, bottom in stretches:
        painter.drawLine(QPointF(x, top), QPointF(x, bottom))
    tag = QRectF(x - 0.5 * line, stretches[-1][1] + 1, line, line * 0.95)
    painter.fillRect(tag, QColor(theme.ink))
    painter.setPen(QColor(theme.ground))
    painter.drawText(tag, Qt.AlignmentFlag.AlignCenter, name)


def _text(trace: Trace, panel: Panel, samples: Sequence[Any]) -> str:
    place = TRACE_INDEX[trace.column]
    first = float(samples[0][1][place]) * panel.factor
    text = number(first, panel.decimals)
    if len(samples) == 2 and samples[1] is not None:
        second = float(samples[1][1][place]) * panel.factor
        change = number(second - first, panel.decimals)
        if not change.startswith("−") and change != "–":
            change = "+" + change
        text += f" → {number(second, panel.decimals)}  Δ {change}"
    return text


def _box(
    painter: QPainter,
    inner: QRectF,
    places: list[float],
    rows: list[tuple[Trace, str]],
    theme: Theme,
    u: float,
) -> None:
    metrics = QFontMetricsF(painter.font())
    line = metrics.height()
    fits = max(1, int(inner.height() / line))
    rows = rows[:fits]
    mark = 14 * u
    width = max(metrics.horizontalAdvance(text) for _, text in rows) + mark + 12 * u
    x = max(places) + 5 * u
    if x + width > inner.right():
        x = min(places) - 5 * u - width
    x = min(max(x, inner.left() + 2), inner.right() - width - 2)
    box = QRectF(x, inner.top() + 1, width, line * len(rows) + 4 * u)
    ground = QColor(theme.raised)
    ground.setAlpha(235)
    painter.setPen(QPen(QColor(theme.rule), 1))
    painter.setBrush(ground)
    painter.drawRect(box)
    for i, (trace, text) in enumerate(rows):
        base = box.top() + 2 * u + metrics.ascent() + i * line
        pen = QPen(QColor(getattr(theme, trace.colour)), 2.6 * u)
        if trace.dashed:
            pen.setDashPattern([1.4, 1.0])
        painter.setPen(pen)
        middle = base - metrics.xHeight() / 2
        painter.drawLine(QPointF(x + 5 * u, middle), QPointF(x + 5 * u + mark - 4 * u, middle))
        painter.setPen(QColor(theme.ink))
        painter.drawText(QPointF(x + 6 * u + mark, base), text)
