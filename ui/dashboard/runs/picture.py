"""Columns over time in stacked panels; zoom, scroll, cursors, statistics, marks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen, QWheelEvent

from ui.dashboard.bench import Window, number
from ui.dashboard.charts import (
    DeviceScale,
    TimeCanvas,
    draw_trace,
    nice_step,
    paint_cursor,
    paint_grid,
    pixel_columns,
    round_ticks,
)
from ui.dashboard.runs.picture_texts import Readings, paint_heads, paint_legend
from ui.dashboard.runs.picture_view import PanelPlan, PictureView, time_ticks
from ui.dashboard.runs.series import Series
from ui.dashboard.widgets import Sizes, Theme

MOST_COLUMNS = 1200
ROUNDING = 1e-6  # of a value: single precision has 6e-8, a scaled count somewhat more
ZOOM = 0.8  # a notch of the wheel
LEAST_WIDE = 90  # of the plotting area, pixels of the sheet: readings give way to it


@dataclass(frozen=True)
class Curve:
    """A column of a series, as it is drawn. ``shift_s`` is added to the series' times."""

    series: Series
    shift_s: float
    column: str
    label: str
    colour: str
    dashed: bool


@dataclass
class Chart:
    """A panel with its curves and its places, logical pixels."""

    plan: PanelPlan
    curves: list[Curve]
    outer: QRectF
    inner: QRectF
    low: float = 0.0
    high: float = 1.0

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.inner.bottom() - share * self.inner.height()

    def ticks(self, metrics: QFontMetricsF) -> tuple[list[float], int]:
        """Return the values of the grid's lines, and the decimals they need."""
        most = max(2, int(self.inner.height() / (1.5 * metrics.height())))
        return round_ticks(self.low, self.high, most, least=2)


class RunPicture(TimeCanvas):
    """Panels over one time axis.

    Attributes:
        view: what is in view; may be changed, then ``update()``.
        charts: panels, as given to ``show_panels``.
    """

    view: PictureView

    def __init__(self, view: PictureView, theme: Theme, sizes: Sizes) -> None:
        super().__init__(view, theme, sizes)
        self.charts: list[Chart] = []
        self.readings = Readings(view)
        self._numbers = 0.0  # width of the widest number of a grid, logical pixels
        self.setMinimumSize(sizes.px(360), sizes.px(220))
        self.setAccessibleName("Columns of the run over time")
        self.setAccessibleDescription(
            "Left and right move the cursor, with shift the second one; up and down zoom; page up "
            "and page down scroll; home and end go to the ends; C places and removes cursors"
        )

    def show_panels(self, panels: list[tuple[PanelPlan, list[Curve]]]) -> None:
        nowhere = QRectF()
        self.charts = [Chart(plan, curves, nowhere, nowhere) for plan, curves in panels]
        self._numbers = 0.0
        self.update()

    # ------------------------------------------------------------------ geometry

    def lay(self) -> None:
        """Give every panel its place: those with more curves are taller."""
        metrics = QFontMetricsF(self.text_font())
        line, u = metrics.height(), self.sizes.scale
        gutter = max(metrics.horizontalAdvance("−00000"), self._numbers) + 10 * u
        room = self.width() - round(gutter) - LEAST_WIDE * u
        top = line + 2 * u  # heads of the readings
        height = self.height() - top - line - 8 * u
        shares = [1.0 + 0.35 * (len(chart.curves) - 1) for chart in self.charts]
        two_lines = all(
            height * share / sum(shares) >= (1 + 2 * len(chart.curves)) * line + 4 * u
            for chart, share in zip(self.charts, shares, strict=True)
        )
        side = self.readings.fit(metrics, self.charts, u, room, two_lines=two_lines)
        y = top
        for chart, share in zip(self.charts, shares, strict=True):
            tall = height * share / sum(shares)
            chart.outer = QRectF(0, round(y), self.width(), round(y + tall) - round(y))
            chart.inner = QRectF(
                round(gutter),
                chart.outer.top() + round(5 * u),
                max(self.width() - round(gutter) - round(side), 20.0),
                max(chart.outer.height() - round(14 * u), 10.0),
            )
            y += tall

    def time_axis(self) -> QRectF | None:
        return self.charts[0].inner if self.charts else None

    def x_of(self, time_s: float) -> float:
        inner = self.charts[0].inner
        return inner.left() + (time_s - self.view.start_s) / self.view.window_s * inner.width()

    # ------------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        try:
            self._paint(painter)
        finally:  # an open painter would crash the process
            painter.end()

    def _paint(self, painter: QPainter) -> None:
        painter.setFont(self.text_font())
        if self.charts:
            ratio = self.devicePixelRatioF()
            for chart, (windows, column_px) in zip(self.charts, self._ranged(ratio), strict=True):
                self._paint_chart(painter, chart, windows, column_px, ratio)
            paint_heads(painter, self.readings, self.width(), self.theme, self.sizes)
            self._paint_limits(painter)
            self._paint_marks(painter)
            self._paint_time_axis(painter)
            self._paint_cursors(painter)
        self.paint_focus(painter)

    def _ranged(self, ratio: float) -> list[tuple[list[Window | None], int]]:
        """Lay out the panels and set each range; return what each shows, as ``_windows`` does."""
        metrics = QFontMetricsF(self.text_font())
        while True:
            self.lay()
            found = [self._windows(chart, ratio) for chart in self.charts]
            widest = self._numbers
            for chart, (windows, _) in zip(self.charts, found, strict=True):
                chart.low, chart.high = value_range(windows, chart.plan.factor)
                ticks, decimals = chart.ticks(metrics)
                texts = (number(value, decimals) for value in ticks)
                widest = max(widest, *(metrics.horizontalAdvance(text) for text in texts))
            if widest <= self._numbers:
                return found
            # It never narrows: scrolling over small and large values would shake the picture.
            self._numbers = widest

    def _windows(self, chart: Chart, ratio: float) -> tuple[list[Window | None], int]:
        """Return the window of each curve, None while it is read, and device pixels of a column."""
        view, wide = self.view, chart.inner.width() * ratio
        columns = pixel_columns(view.start_s, view.window_s, wide, MOST_COLUMNS)
        found: list[Window | None] = []
        for curve in chart.curves:
            if not curve.series.ready(curve.column):
                found.append(None)
                continue
            begin_s = columns.start_s - curve.shift_s
            end_s = begin_s + columns.span_s
            found.append(curve.series.window(curve.column, begin_s, end_s, columns.count))
        return found, columns.step_px

    def _paint_chart(
        self,
        painter: QPainter,
        chart: Chart,
        windows: list[Window | None],
        column_px: int,
        ratio: float,
    ) -> None:
        self._paint_ground(painter, chart, any(window is None for window in windows))
        view, ends, factor = self.view, (chart.low, chart.high), chart.plan.factor
        scale = DeviceScale(chart.inner, ratio, view.start_s, view.window_s, ends, factor)
        scale.begin(painter)
        width = max(1.0, 1.5 * self.sizes.scale * ratio)
        for curve, window in zip(chart.curves, windows, strict=True):
            if window is None or not len(window.times):
                continue
            draw_trace(
                painter,
                scale,
                window,
                scale.x(window.times + curve.shift_s),
                column_px,
                QColor(getattr(self.theme, curve.colour)),
                width,
                curve.dashed,
            )
        painter.restore()

    def _paint_ground(self, painter: QPainter, chart: Chart, reading: bool) -> None:
        theme, u, inner = self.theme, self.sizes.scale, chart.inner
        metrics = QFontMetricsF(painter.font())
        line = metrics.height()
        ticks, decimals = chart.ticks(metrics)
        cut = chart.outer.top() + 0.6 * line  # a number above would lose its upper half
        paint_grid(
            painter,
            inner,
            ticks,
            decimals,
            chart.y,
            theme,
            gap=6 * u,
            free=(cut, chart.outer.bottom() - 1.5 * u),
        )
        painter.setPen(QPen(QColor(theme.rule), 1))
        painter.drawLine(chart.outer.topLeft(), chart.outer.topRight())
        if reading:
            painter.setPen(QColor(theme.quiet))
            painter.drawText(inner, Qt.AlignmentFlag.AlignCenter, "reading …")
        paint_legend(painter, chart, self.readings, theme, self.sizes)

    def _paint_time_axis(self, painter: QPainter) -> None:
        view, theme, u = self.view, self.theme, self.sizes.scale
        inner = self.charts[-1].inner
        metrics = QFontMetricsF(painter.font())
        most = max(2, int(inner.width() / metrics.horizontalAdvance("0000.0000")))
        ticks, decimals, unit_s, unit = time_ticks(view.start_s, view.end_s, most)
        base = self.height() - 4 * u - metrics.descent()
        for tick in ticks:
            x = round(self.x_of(tick * unit_s)) + 0.5
            painter.setPen(QPen(QColor(theme.grid), 1))
            for chart in self.charts:
                painter.drawLine(
                    QPointF(x, chart.inner.top()), QPointF(x, chart.inner.bottom() + 3 * u)
                )
            painter.setPen(QColor(theme.quiet))
            text = number(tick, decimals)
            painter.drawText(QPointF(x - metrics.horizontalAdvance(text) / 2, base), text)
        painter.setPen(QColor(theme.quiet))
        painter.drawText(QPointF(inner.right() + 8 * u, base), f"time ({unit})")

    def _paint_marks(self, painter: QPainter) -> None:
        inner, u = self.charts[0].inner, self.sizes.scale
        metrics = QFontMetricsF(painter.font())
        pen = QPen(QColor(self.theme.marker), max(1.0, 1.2 * u))
        pen.setDashPattern([3, 3])
        free = inner.left()
        last_x = -math.inf
        for curve_series, shift_s in self._all_series()[:1]:
            for mark in curve_series.marks:
                x = self.x_of(mark.time_s + shift_s)
                if not inner.left() <= x <= inner.right():
                    continue
                if x - last_x >= 2:  # two that coincide are one line, whichever has a name
                    last_x = x
                    painter.setPen(pen)
                    bottom = self.charts[-1].inner.bottom()
                    painter.drawLine(QPointF(x, inner.top()), QPointF(x, bottom))
                if x < free:
                    continue
                text = metrics.elidedText(mark.text, Qt.TextElideMode.ElideRight, 180 * u)
                width = metrics.horizontalAdvance(text)
                if text and x + width < inner.right():
                    free = x + width + 8 * u
                    painter.setPen(QColor(self.theme.marker))
                    painter.drawText(QPointF(x, metrics.ascent()), text)

    def _paint_limits(self, painter: QPainter) -> None:
        """Draw a bar at the foot of the first chart while a limit acts, named if that fits."""
        chart, u = self.charts[0], self.sizes.scale
        metrics = QFontMetricsF(painter.font())
        inner = chart.inner
        for series, shift_s in self._all_series()[:1]:
            for stretch in series.limited:
                if stretch.end_s + shift_s < self.view.start_s:
                    continue
                if stretch.start_s + shift_s > self.view.end_s:
                    break
                left = max(self.x_of(stretch.start_s + shift_s), inner.left())
                right = min(self.x_of(stretch.end_s + shift_s), inner.right())
                bar = QRectF(left, inner.bottom() - 4 * u, max(right - left, 2.0), 4 * u)
                painter.fillRect(bar, QColor(self.theme.warning))
                text = f"limited: {stretch.text}"
                if metrics.horizontalAdvance(text) < right - left:
                    painter.setPen(QColor(self.theme.warning))
                    painter.drawText(QPointF(left, bar.top() - metrics.descent()), text)

    def _all_series(self) -> list[tuple[Series, float]]:
        found: dict[int, tuple[Series, float]] = {}
        for chart in self.charts:
            for curve in chart.curves:
                found.setdefault(id(curve.series), (curve.series, curve.shift_s))
        return list(found.values())

    def _paint_cursors(self, painter: QPainter) -> None:
        view, theme, u = self.view, self.theme, self.sizes.scale
        inner = self.charts[0].inner
        bottom = self.charts[-1].inner.bottom()
        if len(view.cursors) == 2:
            left, right = (
                min(max(self.x_of(t), inner.left()), inner.right()) for t in sorted(view.cursors)
            )
            shade = QColor(theme.accent)
            shade.setAlpha(26)
            painter.fillRect(QRectF(left, inner.top(), right - left, bottom - inner.top()), shade)
        for time_s, name in zip(view.cursors, "AB", strict=False):
            x = self.x_of(time_s)
            if not inner.left() <= x <= inner.right():
                continue
            paint_cursor(painter, x, [(inner.top(), bottom)], name, theme, u)

    # ------------------------------------------------------------------ mouse and keys

    def wheelEvent(self, event: QWheelEvent) -> None:
        notches = event.angleDelta().y() / 120
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self.view.scroll(-0.1 * notches * self.view.window_s)
        else:
            self.view.zoom(ZOOM**notches, self.time_at(event.position().x()))
        self.changed()

    def act_by_key(self, key: int) -> bool:
        view = self.view
        if key == Qt.Key.Key_Up:
            view.zoom(ZOOM)
        elif key == Qt.Key.Key_Down:
            view.zoom(1 / ZOOM)
        elif key == Qt.Key.Key_Home:
            view.scroll(view.whole[0] - view.start_s)
        elif key == Qt.Key.Key_End:
            view.scroll(view.whole[1] - view.end_s)
        else:
            return False
        return True


def value_range(windows: list[Window | None], factor: float) -> tuple[float, float]:
    """Return round values around all that is in view, in the panel's unit."""
    low = high = math.nan
    for window in windows:
        if window is None or not len(window.low):
            continue
        with np.errstate(invalid="ignore"):
            low = float(np.fmin(low, float(np.fmin.reduce(window.low)) * factor))
            high = float(np.fmax(high, float(np.fmax.reduce(window.high)) * factor))
    if not (math.isfinite(low) and math.isfinite(high)):
        return -1.0, 1.0
    size = max(abs(low), abs(high))
    spread = high - low
    if spread <= ROUNDING * size:  # it is constant: its rounding is not a signal
        spread = 1e-3 * max(size, 1.0)
    step = nice_step(spread / 10)
    lower, upper = (
        math.floor((low - 0.04 * spread) / step),
        math.ceil((high + 0.04 * spread) / step),
    )
    return lower * step, upper * step
