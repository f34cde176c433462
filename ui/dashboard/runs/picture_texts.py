"""The right edge of the picture: a line for each curve, with its values at the cursors."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen

from ui.dashboard.bench import number
from ui.dashboard.runs.picture_view import PictureView
from ui.dashboard.widgets import Sizes, Theme

if TYPE_CHECKING:
    from ui.dashboard.runs.picture import Chart, Curve

ONE = ("A",)
TWO = ("A", "B", "B − A", "mean", "RMS", "dev.")
BESIDE = 3  # of TWO, in the line of the label if readings take two lines
SECOND_LINE = "mean, RMS, dev."
STACKED_FROM = 0.55  # of the room: readings that would take more in one line take two
SIGNIFICANT = 5
WIDEST = 26  # characters of a label that are shown


class Readings:
    """Values of curves at the cursors, and their statistics between them; kept until these move.

    Attributes:
        stacked: the statistics are in a second line under each label.
    """

    def __init__(self, view: PictureView) -> None:
        self.view = view
        self._kept: dict[tuple[object, ...], list[str]] = {}
        self._cursors: tuple[float, ...] = ()
        self._most = len(TWO)
        self.stacked = False

    @property
    def heads(self) -> tuple[str, ...]:
        """Heads of the columns of values."""
        count = len(self.view.cursors)
        return (TWO if count == 2 else ONE if count else ())[: self._most]

    @property
    def lines(self) -> int:
        """Lines that a curve takes."""
        return 2 if self.stacked else 1

    def fit(
        self, metrics: QFontMetricsF, charts: list[Chart], u: float, room: float, *, two_lines: bool
    ) -> float:
        """Return the pixels for labels and values; the last heads are dropped if ``room`` is less.

        Args:
            two_lines: the panels are high enough for two lines per curve.
        """
        labels = [curve.label for chart in charts for curve in chart.curves]
        titles = [f"{chart.plan.title} {chart.plan.unit}" for chart in charts]
        widest = max(
            (metrics.horizontalAdvance(text[:WIDEST]) for text in (*labels, *titles)), default=0.0
        )
        labels_wide, cell = widest + 40 * u, self.cell(metrics)
        beside = labels_wide + len(TWO) * cell
        self.stacked = (
            two_lines
            and len(self.view.cursors) == len("AB")
            and beside > STACKED_FROM * room
            and labels_wide + BESIDE * cell <= room
        )
        most = BESIDE if self.stacked else len(TWO)
        self._most = min(most, max(0, int((room - labels_wide) / cell)))
        return min(labels_wide + len(self.heads) * cell, room)

    @staticmethod
    def cell(metrics: QFontMetricsF) -> float:
        return metrics.horizontalAdvance("−000.00 ")

    def texts(self, curve: Curve, factor: float) -> list[str]:
        """Return a text for each head."""
        view = self.view
        cursors = tuple(view.cursors)
        if cursors != self._cursors:
            self._kept.clear()
            self._cursors = cursors
        if not cursors or not curve.series.ready(curve.column):
            return ["–"] * len(self.heads)
        live = curve.series.span_s[1] == 0.0
        key = (id(curve.series), curve.column, curve.shift_s)
        if live or key not in self._kept:
            self._kept[key] = self._read(curve, factor)
        return self._kept[key]

    def _read(self, curve: Curve, factor: float) -> list[str]:
        series, column, cursors = curve.series, curve.column, self.view.cursors
        first = series.value_at(column, cursors[0] - curve.shift_s) * factor
        if len(cursors) == 1:
            return [value_text(first)]
        second = series.value_at(column, cursors[1] - curve.shift_s) * factor
        begin, end = (time_s - curve.shift_s for time_s in sorted(cursors))
        found = series.statistics(column, begin, end)
        rest = (found.mean * factor, found.rms * factor, found.deviation * factor)
        return [value_text(value) for value in (first, second, second - first, *rest)]


def value_text(value: float) -> str:
    """Format with five significant figures at most, never finer than a millionth."""
    if not math.isfinite(value):
        return "–"
    size = math.floor(math.log10(abs(value))) if value else 0
    if size >= SIGNIFICANT + 1:
        return f"{value:.3g}".replace("-", "−")
    return number(value, min(max(SIGNIFICANT - 2 - size, 0), 4))


def paint_legend(
    painter: QPainter, chart: Chart, readings: Readings, theme: Theme, sizes: Sizes
) -> None:
    """Paint title and unit, then a line for each curve: stroke, label, values."""
    u = sizes.scale
    metrics = QFontMetricsF(painter.font())
    line = metrics.height()
    left = chart.inner.right() + 10 * u
    right = chart.outer.right() - 6 * u
    heads, cell = readings.heads, readings.cell(metrics)
    base = chart.outer.top() + 3 * u + metrics.ascent()
    bold = QFont(painter.font())
    bold.setWeight(QFont.Weight.DemiBold)
    plain = QFont(painter.font())
    painter.setFont(bold)
    painter.setPen(QColor(theme.ink))
    painter.drawText(QPointF(left, base), chart.plan.title)
    wide = QFontMetricsF(bold).horizontalAdvance(chart.plan.title)
    painter.setFont(plain)
    painter.setPen(QColor(theme.quiet))
    painter.drawText(QPointF(left + wide + 6 * u, base), chart.plan.unit)
    fits = max(1, int((chart.outer.height() - line - 4 * u) / line))
    fits = max(1, fits // readings.lines)
    for i, curve in enumerate(chart.curves[: fits if len(chart.curves) <= fits else fits - 1]):
        y = base + (i * readings.lines + 1) * line
        pen = QPen(QColor(getattr(theme, curve.colour)), 2.6 * u)
        if curve.dashed:
            pen.setDashPattern([1.6, 1.0])
        painter.setPen(pen)
        middle = y - metrics.xHeight() / 2
        painter.drawLine(QPointF(left, middle), QPointF(left + 18 * u, middle))
        painter.setPen(QColor(theme.ink))
        room = right - left - 24 * u - len(heads) * cell
        label = metrics.elidedText(curve.label, Qt.TextElideMode.ElideMiddle, room)
        painter.drawText(QPointF(left + 24 * u, y), label)
        texts = readings.texts(curve, chart.plan.factor)
        rows = [texts[: len(heads)]]
        if readings.stacked:
            rows.append(texts[BESIDE:])
            painter.setPen(QColor(theme.quiet))
            painter.drawText(QPointF(left + 24 * u, y + line), SECOND_LINE)
            painter.setPen(QColor(theme.ink))
        for row, values in enumerate(rows):
            for k, text in enumerate(values):
                end = right - (len(heads) - 1 - k) * cell
                at = QPointF(end - metrics.horizontalAdvance(text), y + row * line)
                painter.drawText(at, text)
    hidden = len(chart.curves) - fits
    if hidden > 0:
        painter.setPen(QColor(theme.quiet))
        painter.drawText(
            QPointF(left + 24 * u, base + ((fits - 1) * readings.lines + 1) * line),
            f"{hidden + 1} more",
        )


def paint_heads(
    painter: QPainter, readings: Readings, right: float, theme: Theme, sizes: Sizes
) -> None:
    """Paint heads of the values, and the time between the cursors, above the first panel."""
    metrics = QFontMetricsF(painter.font())
    cell = readings.cell(metrics)
    heads = readings.heads
    painter.setPen(QColor(theme.quiet))
    for k, head in enumerate(heads):
        end = right - 6 * sizes.scale - (len(heads) - 1 - k) * cell
        painter.drawText(QPointF(end - metrics.horizontalAdvance(head), metrics.ascent()), head)


def cursor_text(view: PictureView) -> str:
    """Return the times of the cursors as text, their distance as time and frequency."""
    if not view.cursors:
        return ""
    text = f"A {number(view.cursors[0], 4)} s"
    if len(view.cursors) == 2:
        apart = view.cursors[1] - view.cursors[0]
        text += f" · B {number(view.cursors[1], 4)} s · B − A {number(apart, 4)} s"
        if abs(apart) > 1e-6:
            text += f" ({1 / abs(apart):.4g} Hz)"
    return text
