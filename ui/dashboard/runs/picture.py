"""Columns over time in panels above each other; zoom, scroll, cursors, statistics, marks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.bench import Window, number
from ui.dashboard.charts import column_bars, draw_bars, nice_step, passes, sample_lines
from ui.dashboard.runs.picture_texts import Readings, paint_heads, paint_legend
from ui.dashboard.runs.picture_view import PanelPlan, PictureView, time_ticks
from ui.dashboard.runs.series import Series
from ui.dashboard.widgets import Sizes, Theme

DRAG_PIXELS = 4
MOST_COLUMNS = 1200
ZOOM = 0.8  # a notch of the wheel


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
    """A panel with its curves and the places it was given, logical pixels."""

    plan: PanelPlan
    curves: list[Curve]
    outer: QRectF
    inner: QRectF
    low: float = 0.0
    high: float = 1.0

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.inner.bottom() - share * self.inner.height()


class RunPicture(QWidget):
    """Panels over one time axis.

    Attributes:
        view: what is in view; may be changed, then ``update()``.
        charts: panels, as ``show_panels`` was told them.
    """

    view_changed = Signal()

    def __init__(self, view: PictureView, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.view = view
        self.theme = theme
        self.sizes = sizes
        self.charts: list[Chart] = []
        self.readings = Readings(view)
        self._pressed: QPointF | None = None
        self._dragged = False
        self._pressed_start_s = 0.0
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(sizes.px(360), sizes.px(220))
        self.setAccessibleName("Columns of the run over time")
        self.setAccessibleDescription(
            "Left and right move the cursor, with shift the second one; up and down zoom; page up "
            "and page down scroll; home and end go to the ends; C places and removes cursors"
        )

    def show_panels(self, panels: list[tuple[PanelPlan, list[Curve]]]) -> None:
        nowhere = QRectF()
        self.charts = [Chart(plan, curves, nowhere, nowhere) for plan, curves in panels]
        self.update()

    # ------------------------------------------------------------------ geometry

    def _font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        return font

    def lay(self) -> None:
        """Give every panel its place: those with more curves are taller."""
        metrics = QFontMetricsF(self._font())
        line, u = metrics.height(), self.sizes.scale
        gutter = metrics.horizontalAdvance("−00000") + 10 * u
        side = self.readings.width(metrics, self.charts, u)
        top = line + 2 * u  # heads of the readings
        height = self.height() - top - line - 8 * u
        shares = [1.0 + 0.35 * (len(chart.curves) - 1) for chart in self.charts]
        y = top
        for chart, share in zip(self.charts, shares, strict=True):
            tall = height * share / sum(shares)
            chart.outer = QRectF(0, round(y), self.width(), round(y + tall) - round(y))
            chart.inner = QRectF(
                round(gutter),
                chart.outer.top() + round(5 * u),
                max(self.width() - round(gutter) - round(side), 20.0),
                max(chart.outer.height() - round(10 * u), 10.0),
            )
            y += tall

    def time_at(self, x: float) -> float:
        if not self.charts:
            return self.view.start_s
        inner = self.charts[0].inner
        return self.view.start_s + (x - inner.left()) / inner.width() * self.view.window_s

    def x_of(self, time_s: float) -> float:
        inner = self.charts[0].inner
        return inner.left() + (time_s - self.view.start_s) / self.view.window_s * inner.width()

    # ------------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        try:
            self._paint(painter)
        finally:  # a painter left open ends the process
            painter.end()

    def _paint(self, painter: QPainter) -> None:
        painter.setFont(self._font())
        if self.charts:
            self.lay()
            ratio = self.devicePixelRatioF()
            for chart in self.charts:
                self._paint_chart(painter, chart, ratio)
            paint_heads(painter, self.readings, self.width(), self.theme, self.sizes)
            self._paint_limits(painter)
            self._paint_marks(painter)
            self._paint_time_axis(painter)
            self._paint_cursors(painter)
        if self.hasFocus():
            painter.setPen(QPen(QColor(self.theme.accent), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))

    def _windows(self, chart: Chart, ratio: float) -> tuple[list[Window | None], int]:
        """Return the window of each curve, None while it is read, and device pixels of a column."""
        view, wide = self.view, chart.inner.width() * ratio
        column_px = max(1, math.ceil(wide / MOST_COLUMNS))
        # Edges of columns stand still in time: a passing peak would shimmer otherwise.
        width_s = view.window_s * column_px / wide
        columns = math.ceil(wide / column_px) + 1
        start_s = math.floor(view.start_s / width_s) * width_s
        found: list[Window | None] = []
        for curve in chart.curves:
            if not curve.series.ready(curve.column):
                found.append(None)
                continue
            begin_s = start_s - curve.shift_s
            found.append(
                curve.series.window(curve.column, begin_s, begin_s + columns * width_s, columns)
            )
        return found, column_px

    def _paint_chart(self, painter: QPainter, chart: Chart, ratio: float) -> None:
        windows, column_px = self._windows(chart, ratio)
        chart.low, chart.high = value_range(windows, chart.plan.factor)
        self._paint_ground(painter, chart, any(window is None for window in windows))
        inner, view = chart.inner, self.view
        painter.save()
        painter.setClipRect(inner.adjusted(0, -1, 0, 1))
        painter.scale(1 / ratio, 1 / ratio)
        left, wide = inner.left() * ratio, inner.width() * ratio
        scale = chart.plan.factor * inner.height() * ratio / (chart.high - chart.low)
        bottom = inner.bottom() * ratio + chart.low / chart.plan.factor * scale
        top, end = inner.top() * ratio - 4, inner.bottom() * ratio + 4

        def device_y(values: NDArray[Any]) -> NDArray[np.float64]:
            return np.clip(bottom - values.astype(np.float64) * scale, top, end)

        for curve, window in zip(chart.curves, windows, strict=True):
            if window is None or not len(window.times):
                continue
            colour = QColor(getattr(self.theme, curve.colour))
            width = max(1.0, 1.5 * self.sizes.scale * ratio)
            x = left + (window.times + curve.shift_s - view.start_s) * (wide / view.window_s)
            if window.reduced:
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(colour)
                first = round(float(x[0]) - column_px / 2)
                y_low, y_high = device_y(window.low), device_y(window.high)
                draw_bars(
                    painter,
                    column_bars(first, column_px, y_low, y_high, width, curve.dashed, window),
                )
                continue
            pen = QPen(colour, 1)
            pen.setCosmetic(True)
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            # Far outside the picture Qt's coordinates would overflow.
            x = np.clip(x, left - 1e5, left + wide + 1e5)
            lines = sample_lines(x, device_y(window.low), curve.dashed)
            for dx, dy in passes(width):
                painter.translate(dx, dy)
                for shape in lines:
                    painter.drawPolyline(shape)
                painter.translate(-dx, -dy)
        painter.restore()

    def _paint_ground(self, painter: QPainter, chart: Chart, reading: bool) -> None:
        theme, u, inner = self.theme, self.sizes.scale, chart.inner
        metrics = QFontMetricsF(painter.font())
        line = metrics.height()
        step = nice_step((chart.high - chart.low) / max(2, int(inner.height() / (1.5 * line))))
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        first, last = math.ceil(chart.low / step), math.floor(chart.high / step)
        for value in (i * step for i in range(first, last + 1)):
            y = round(chart.y(value)) + 0.5
            painter.setPen(QPen(QColor(theme.rule if value == 0 else theme.grid), 1))
            painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
            if y < chart.outer.top() + 0.6 * line:
                continue  # its upper half would be cut
            text = number(value, decimals)
            painter.setPen(QColor(theme.quiet))
            at = inner.left() - 6 * u - metrics.horizontalAdvance(text)
            painter.drawText(QPointF(at, y + metrics.capHeight() / 2), text)
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
        ticks, unit = time_ticks(view.start_s, view.end_s, most)
        unit_s = 60.0 if unit == "min" else 1.0
        step = (ticks[1] - ticks[0]) / unit_s if len(ticks) > 1 else 1.0
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        base = self.height() - 4 * u - metrics.descent()
        for time_s in ticks:
            x = round(self.x_of(time_s)) + 0.5
            painter.setPen(QPen(QColor(theme.grid), 1))
            for chart in self.charts:
                painter.drawLine(
                    QPointF(x, chart.inner.top()), QPointF(x, chart.inner.bottom() + 3 * u)
                )
            painter.setPen(QColor(theme.quiet))
            text = number(time_s / unit_s, decimals)
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
                if x - last_x >= 2:  # two that fall together are one line, whichever has a name
                    last_x = x
                    painter.setPen(pen)
                    bottom = self.charts[-1].inner.bottom()
                    painter.drawLine(QPointF(x, inner.top()), QPointF(x, bottom))
                text = metrics.elidedText(mark.text, Qt.TextElideMode.ElideRight, 180 * u)
                width = metrics.horizontalAdvance(text)
                if text and x >= free and x + width < inner.right():
                    free = x + width + 8 * u
                    painter.setPen(QColor(self.theme.marker))
                    painter.drawText(QPointF(x, metrics.ascent()), text)

    def _paint_limits(self, painter: QPainter) -> None:
        """A bar at the foot of the first chart for as long as a limit acts, named where it fits."""
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
        line = QFontMetricsF(painter.font()).height()
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
            painter.setPen(QPen(QColor(theme.ink), max(1.0, u)))
            painter.drawLine(QPointF(x, inner.top()), QPointF(x, bottom))
            tag = QRectF(x - 0.5 * line, bottom + 1, line, line * 0.95)
            painter.fillRect(tag, QColor(theme.ink))
            painter.setPen(QColor(theme.ground))
            painter.drawText(tag, Qt.AlignmentFlag.AlignCenter, name)

    # ------------------------------------------------------------------ hands

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._pressed = event.position()
        self._dragged = False
        self._pressed_start_s = self.view.start_s

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._pressed is None or not self.charts:
            return
        moved = event.position().x() - self._pressed.x()
        if not self._dragged and abs(moved) < DRAG_PIXELS:
            return
        self._dragged = True
        self.setCursor(Qt.CursorShape.ClosedHandCursor)
        per_pixel = self.view.window_s / self.charts[0].inner.width()
        self.view.scroll(self._pressed_start_s - moved * per_pixel - self.view.start_s)
        self.changed()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._pressed is not None and not self._dragged:
            second = bool(
                event.modifiers() & Qt.KeyboardModifier.ShiftModifier
                or event.button() == Qt.MouseButton.RightButton
            )
            self.view.place_cursor(1 if second else 0, self.time_at(event.position().x()))
            self.changed()
        self._pressed = None
        self.unsetCursor()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.view.cursors = []
        self._pressed = None
        self.changed()

    def wheelEvent(self, event: QWheelEvent) -> None:
        notches = event.angleDelta().y() / 120
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self.view.scroll(-0.1 * notches * self.view.window_s)
        else:
            self.view.zoom(ZOOM**notches, self.time_at(event.position().x()))
        self.changed()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        view, key = self.view, event.key()
        wide = self.charts[0].inner.width() if self.charts else 1.0
        step = view.window_s / max(wide, 1.0)
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            step *= 10
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            self._step_cursor(
                step if key == Qt.Key.Key_Right else -step,
                bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier),
            )
        elif key == Qt.Key.Key_Up:
            view.zoom(ZOOM)
        elif key == Qt.Key.Key_Down:
            view.zoom(1 / ZOOM)
        elif key == Qt.Key.Key_PageUp:
            view.scroll(-view.window_s / 2)
        elif key == Qt.Key.Key_PageDown:
            view.scroll(view.window_s / 2)
        elif key == Qt.Key.Key_Home:
            view.scroll(view.whole[0] - view.start_s)
        elif key == Qt.Key.Key_End:
            view.scroll(view.whole[1] - view.end_s)
        else:
            event.ignore()
            return
        self.changed()

    def _step_cursor(self, by_s: float, second: bool) -> None:
        view = self.view
        if not view.cursors:
            view.step_cursors()
        elif second and len(view.cursors) == 1:
            view.place_cursor(1, view.cursors[0] + by_s)
        else:
            which = 1 if second else 0
            view.place_cursor(which, view.cursors[which] + by_s)

    def changed(self) -> None:
        self.view_changed.emit()
        self.update()


def value_range(windows: list[Window | None], factor: float) -> tuple[float, float]:
    """Round values around all that is in view, in the panel's unit."""
    low = high = math.nan
    for window in windows:
        if window is None or not len(window.low):
            continue
        with np.errstate(invalid="ignore"):
            low = float(np.fmin(low, float(np.fmin.reduce(window.low)) * factor))
            high = float(np.fmax(high, float(np.fmax.reduce(window.high)) * factor))
    if not (math.isfinite(low) and math.isfinite(high)):
        return -1.0, 1.0
    spread = max(high - low, 1e-6 * max(abs(low), abs(high)), 1e-9)
    step = nice_step(spread / 10)
    lower, upper = (
        math.floor((low - 0.04 * spread) / step),
        math.ceil((high + 0.04 * spread) / step),
    )
    return lower * step, upper * step
