"""Strip charts over one time axis, drawn from the trace buffer's pixel columns.

Reduced windows are drawn as bars between the extremes of each column, on whole device
pixels. Single samples are joined by lines one device pixel wide, several side by side where
they should look wider: Qt strokes wider pens in software at ten to twenty times the cost.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.bench import TRACE_INDEX, TraceBuffer, Values, Window, number
from ui.dashboard.charts.chart_cursors import Plot, paint_cursors
from ui.dashboard.charts.chart_lines import (
    band_shapes,
    column_bars,
    draw_bars,
    extremes,
    mixed,
    passes,
    sample_lines,
)
from ui.dashboard.charts.chart_marks import paint_marks
from ui.dashboard.charts.chart_view import PANELS, ChartView, Span
from ui.dashboard.widgets import Sizes, Theme

DRAG_PIXELS = 4
MOST_COLUMNS = 900


class Traced(Protocol):
    """A live bench or a recorded run, as far as charts draw it."""

    @property
    def buffer(self) -> TraceBuffer: ...
    @property
    def marks(self) -> Any: ...


class StripCharts(QWidget):
    """Force, deflection, position and torque over time; freeze, scroll, cursors, markers."""

    view_changed = Signal()

    def __init__(self, model: Traced, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.model = model
        self.view = ChartView(model.buffer)
        self.theme = theme
        self.sizes = sizes
        self._pressed: QPointF | None = None
        self._dragging = False
        self._drag_end_s = 0.0
        self._column_px = 1
        self._begun: tuple[tuple[object, ...], int, float, Window] | None = None
        self._frame: Window | None = None  # while a chart of a frame is drawn
        self._ground: QPixmap | None = None  # of the first chart of that frame, made before
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(sizes.px(300), sizes.px(320))
        self.setAccessibleName("Strip charts")
        self.setAccessibleDescription(
            "Left and right move the cursor, with shift the second one; page up and page down "
            "look back; C places and removes cursors"
        )

    # ------------------------------------------------------------------ geometry

    def _text_font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        return font

    def _plots(self) -> list[Plot]:
        metrics = QFontMetricsF(self._text_font())
        line = metrics.height()
        u = self.sizes.scale
        gutter = metrics.horizontalAdvance("−0000") + 12 * u
        height = self.height() - line - 8 * u
        total = sum(panel.share for panel in PANELS)
        plots = []
        y = 0.0
        for panel in PANELS:
            tall = height * panel.share / total
            outer = QRectF(0, round(y), self.width(), round(y + tall) - round(y))
            inner = QRectF(
                outer.left() + round(gutter),
                outer.top() + round(line + 7 * u),
                outer.width() - round(gutter) - round(12 * u),
                max(outer.height() - round(line + 7 * u) - round(9 * u), 10.0),
            )
            plots.append(Plot(panel, outer, inner))
            y += tall
        return plots

    def _time_at(self, x: float) -> float:
        inner = self._plots()[0].inner
        return self.view.start_s + (x - inner.left()) / inner.width() * self.view.window_s

    # ------------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setFont(self._text_font())
        plots = self._plots()
        inner = plots[0].inner
        ratio = self.devicePixelRatioF()
        view = self.view
        window = self._frame or self._window(inner, ratio)
        drawn = []
        for i, plot in enumerate(plots):
            if not event.rect().intersects(plot.outer.toRect()):
                continue
            drawn.append(plot)
            if i == 0 and self._frame is not None and self._ground is not None:
                painter.drawPixmap(plot.outer.topLeft(), self._ground)
            else:
                self._settle(i, plot, window)
                self._paint_ground(painter, i, plot)
            self._paint_traces(painter, i, plot, window, ratio)
        paint_marks(painter, plots, self.view, self.model.marks, self.theme, self.sizes.scale)
        if plots[-1] in drawn:
            self._paint_time_axis(painter, plots[-1].inner)
        paint_cursors(painter, view, plots, self.theme, self.sizes.scale)
        if view.frozen and not view.recorded:
            self._paint_frozen(painter, inner)
        if self.hasFocus():
            painter.setPen(QPen(QColor(self.theme.accent), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))
        painter.end()

    def _window(self, inner: QRectF, ratio: float) -> Window:
        """Return what is seen, reduced to columns of the plotting area."""
        view = self.view
        wide = inner.width() * ratio
        # Columns take whole device pixels, and their edges stand still in time: a passing
        # peak would shimmer otherwise.
        self._column_px = max(1, math.ceil(wide / MOST_COLUMNS))
        width_s = view.window_s * self._column_px / wide
        columns = math.ceil(wide / self._column_px) + 1
        start = math.floor(view.start_s / width_s) * width_s
        return view.buffer.window(start, start + columns * width_s, columns)

    def slices(self) -> list[Callable[[], None]]:
        """One for what is seen, and one for each chart, the time axis with the last.

        The first chart is twice as tall as the others: its ground is a slice of its own.
        """
        rects = [plot.outer.toRect() for plot in self._plots()]
        rects[-1].setBottom(self.height())
        charts = (partial(self._draw_chart, rect) for rect in rects)
        return [self._begin_frame, self._prepare_ground, *charts]

    def _begin_frame(self) -> None:
        """Take what is seen, for all charts of the frame alike."""
        window = self._window(self._plots()[0].inner, self.devicePixelRatioF())
        self._begun = (self._seen(), self.model.buffer.count, self.view.end_s, window)
        self._ground = None

    def _settle(self, index: int, plot: Plot, window: Window) -> None:
        low, high = extremes(plot.panel, window)
        self.view.spans[index].settle(low, high, self.view.buffer.end_s)

    def _prepare_ground(self) -> None:
        if self._begun is None or self._begun[0] != self._seen():
            return
        plot = self._plots()[0]
        ratio = self.devicePixelRatioF()
        ground = QPixmap((plot.outer.size() * ratio).toSize())
        ground.setDevicePixelRatio(ratio)
        ground.fill(Qt.GlobalColor.transparent)
        painter = QPainter(ground)
        painter.setFont(self._text_font())
        painter.translate(-plot.outer.topLeft())
        self._settle(0, plot, self._begun[3])
        self._paint_ground(painter, 0, plot)
        painter.end()
        self._ground = ground

    def _seen(self) -> tuple[object, ...]:
        view = self.view
        return view, view.window_s, view.frozen_s, self.size(), self.devicePixelRatioF()

    def _draw_chart(self, rect: QRect) -> None:
        if self._begun is not None:
            seen, count, end_s, window = self._begun
            # Not if the view has changed since, or the history was cleared.
            if seen == self._seen() and self.model.buffer.count >= count:
                self.view.frame_s, self._frame = end_s, window
        try:
            self.repaint(rect)
        finally:
            self.view.frame_s = self._frame = None

    def _paint_ground(self, painter: QPainter, index: int, plot: Plot) -> None:
        theme, u = self.theme, self.sizes.scale
        inner, panel = plot.inner, plot.panel
        metrics = QFontMetricsF(painter.font())
        line = metrics.height()
        span = self.view.spans[index]
        ticks, decimals = span.ticks(max(2, int(inner.height() / (1.35 * line))))
        for value in ticks:
            y = round(self._y(inner, span, value)) + 0.5
            painter.setPen(QPen(QColor(theme.rule if value == 0 else theme.grid), 1))
            painter.drawLine(QPointF(inner.left(), y), QPointF(inner.right(), y))
            if y < inner.top() + 0.3 * line:
                continue  # the title stands there
            painter.setPen(QColor(theme.quiet))
            text = number(value, decimals)
            painter.drawText(
                QPointF(
                    inner.left() - 7 * u - metrics.horizontalAdvance(text),
                    y + metrics.capHeight() / 2,
                ),
                text,
            )
        painter.setPen(QPen(QColor(theme.rule), 1))
        if index:
            painter.drawLine(plot.outer.topLeft(), plot.outer.topRight())
        bold = QFont(painter.font())
        bold.setWeight(QFont.Weight.DemiBold)
        base = plot.outer.top() + 3 * u + metrics.ascent()
        painter.setFont(bold)
        painter.setPen(QColor(theme.ink))
        x = 12 * u
        painter.drawText(QPointF(x, base), panel.title)
        x += QFontMetricsF(bold).horizontalAdvance(panel.title) + 6 * u
        painter.setFont(self._text_font())
        painter.setPen(QColor(theme.quiet))
        painter.drawText(QPointF(x, base), panel.unit)
        # Legend from the right, the most important first from there.
        x = inner.right()
        for trace in reversed(panel.traces):
            x -= metrics.horizontalAdvance(trace.label)
            painter.setPen(QColor(theme.quiet))
            painter.drawText(QPointF(x, base), trace.label)
            x -= 26 * u
            middle = base - metrics.xHeight() / 2
            pen = QPen(QColor(getattr(theme, trace.colour)), (1.6 if trace.thin else 2.6) * u)
            if trace.dashed:
                pen.setDashPattern([2.2, 1.4])
            painter.setPen(pen)
            painter.drawLine(QPointF(x, middle), QPointF(x + 20 * u, middle))
            x -= 13 * u

    def _y(self, inner: QRectF, span: Span, value: float) -> float:
        return inner.bottom() - (value - span.low) / (span.high - span.low) * inner.height()

    def _paint_traces(
        self, painter: QPainter, index: int, plot: Plot, window: Window, ratio: float
    ) -> None:
        if not len(window.times):
            return
        view, span, panel = self.view, self.view.spans[index], plot.panel
        inner = plot.inner
        left, wide = inner.left() * ratio, inner.width() * ratio
        bottom, tall = inner.bottom() * ratio, inner.height() * ratio
        x = left + (window.times - view.start_s) * (wide / view.window_s)
        scale = panel.factor * tall / (span.high - span.low)
        offset = bottom + span.low / panel.factor * scale
        top = inner.top() * ratio

        def device_y(values: NDArray[np.floating]) -> NDArray[np.float64]:
            return np.clip(offset - values * scale, top - 4, bottom + 4)

        painter.save()
        painter.setClipRect(inner.adjusted(0, -1, 0, 1))
        painter.scale(1 / ratio, 1 / ratio)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        first = round(x[0] - self._column_px / 2)

        def bars(low: Values, high: Values, least: float, dashed: bool = False) -> None:
            rectangles = column_bars(
                first, self._column_px, device_y(low), device_y(high), least, dashed, window
            )
            draw_bars(painter, rectangles)

        painter.setPen(Qt.PenStyle.NoPen)
        for trace in panel.traces:
            if not trace.band:
                continue
            # Below every line and opaque: Qt blends tall transparent bars at thirty times
            # the cost of plain ones.
            place = TRACE_INDEX[trace.column]
            half = window.high[TRACE_INDEX[trace.band]]
            painter.setBrush(mixed(getattr(self.theme, trace.colour), self.theme.ground))
            low, high = window.low[place] - half, window.high[place] + half
            if window.reduced:
                bars(low, high, 0.0)
            else:
                for shape in band_shapes(x, device_y(high), device_y(low)):
                    painter.drawPolygon(shape)
        for trace in panel.traces:
            place = TRACE_INDEX[trace.column]
            colour = QColor(getattr(self.theme, trace.colour))
            width = max(1.0, (1.0 if trace.thin else 1.9) * self.sizes.scale * ratio)
            if window.reduced:
                painter.setPen(Qt.PenStyle.NoPen)
                painter.setBrush(colour)
                bars(window.low[place], window.high[place], width, trace.dashed)
                continue
            pen = QPen(colour, 1)
            pen.setCosmetic(True)
            painter.setPen(pen)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            lines = sample_lines(x, device_y(window.low[place]), trace.dashed)
            for dx, dy in passes(width):
                painter.translate(dx, dy)
                for line in lines:
                    painter.drawPolyline(line)
                painter.translate(-dx, -dy)
        painter.restore()

    def _paint_time_axis(self, painter: QPainter, inner: QRectF) -> None:
        view, theme, u = self.view, self.theme, self.sizes.scale
        metrics = QFontMetricsF(painter.font())
        base = inner.bottom() + 5 * u + metrics.ascent()
        behind = view.end_s - view.buffer.end_s if view.frozen else 0.0  # ≤ 0
        minutes = view.window_s > 120
        unit_s, unit = (60.0, "min") if minutes else (1.0, "s")
        fifths = 5
        painter.setPen(QColor(theme.quiet))
        for i in range(fifths + 1):
            x = inner.left() + inner.width() * i / fifths
            painter.drawLine(QPointF(x, inner.bottom()), QPointF(x, inner.bottom() + 4 * u))
            shown = (behind - view.window_s * (1 - i / fifths)) / unit_s
            whole = abs(shown - round(shown)) < 0.05
            text = (
                f"{number(shown, 0 if whole else 1)} {unit}"
                if i in (0, fifths)
                else number(shown, 0 if whole else 1)
            )
            if i == fifths and abs(behind) < 0.01:
                text = "end" if view.recorded else "frozen" if view.frozen else "now"
            wide = metrics.horizontalAdvance(text)
            at = min(max(x - wide / 2, inner.left() - wide / 2), self.width() - wide - 3 * u)
            painter.drawText(QPointF(at, base), text)
        if len(view.cursors) == 2:
            apart = view.cursors[1] - view.cursors[0]
            text = f"B − A = {number(apart, 3)} s"
            if abs(apart) > 1e-4:
                text += f"  ({1 / abs(apart):.3g} Hz)"
            wide = metrics.horizontalAdvance(text)
            # On the side where the cursors are not.
            late = sum(view.cursors) / 2 > view.start_s + view.window_s / 2
            middle = inner.left() + inner.width() * (0.3 if late else 0.7)
            spot = QRectF(middle - wide / 2, inner.bottom() + 5 * u, wide, metrics.height())
            painter.fillRect(spot, QColor(theme.ground))
            painter.setPen(QColor(theme.ink))
            painter.drawText(spot, Qt.AlignmentFlag.AlignCenter, text)

    def _paint_frozen(self, painter: QPainter, inner: QRectF) -> None:
        """Write on the chart that it is frozen: it must not pass for a live one."""
        u = self.sizes.scale
        metrics = QFontMetricsF(painter.font())
        text = self.view.frozen_text
        wide = metrics.horizontalAdvance(text) + 14 * u
        spot = QRectF(
            inner.center().x() - wide / 2,
            inner.bottom() - metrics.height() - 3 * u,
            wide,
            metrics.height() + 2 * u,
        )
        painter.fillRect(spot, QColor(self.theme.warning_ground))
        painter.setPen(QColor(self.theme.warning))
        painter.drawText(spot, Qt.AlignmentFlag.AlignCenter, text)

    # ------------------------------------------------------------------ hands

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._pressed = event.position()
        self._dragging = False
        self._drag_end_s = self.view.end_s

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._pressed is None:
            return
        moved = event.position().x() - self._pressed.x()
        if not self._dragging and abs(moved) < DRAG_PIXELS:
            return
        self._dragging = True
        self.setCursor(Qt.CursorShape.ClosedHandCursor)
        per_pixel = self.view.window_s / self._plots()[0].inner.width()
        wanted = self._drag_end_s - moved * per_pixel
        self.view.scroll(wanted - self.view.end_s)
        self._changed()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._pressed is not None and not self._dragging:
            second = bool(
                event.modifiers() & Qt.KeyboardModifier.ShiftModifier
                or event.button() == Qt.MouseButton.RightButton
            )
            if not self.view.frozen:
                self.view.freeze(True)
            self.view.place_cursor(1 if second else 0, self._time_at(event.position().x()))
            self._changed()
        self._pressed = None
        self.unsetCursor()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.view.cursors = []
        self._pressed = None
        self._changed()

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.view.scroll(event.angleDelta().y() / 120 * -0.1 * self.view.window_s)
        self._changed()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        view = self.view
        key = event.key()
        step = view.window_s / max(self._plots()[0].inner.width(), 1.0)
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            step *= 10
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            sign = 1 if key == Qt.Key.Key_Right else -1
            second = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
            which = 1 if second and view.cursors else 0
            if not view.cursors:
                view.step_cursors()
            elif which == 1 and len(view.cursors) == 1:
                view.place_cursor(1, view.cursors[0] + sign * step)
            else:
                view.place_cursor(which, view.cursors[which] + sign * step)
        elif key == Qt.Key.Key_PageUp:
            view.scroll(-view.window_s / 2)
        elif key == Qt.Key.Key_PageDown:
            view.scroll(view.window_s / 2)
        elif key == Qt.Key.Key_Home:
            view.scroll(-1e12)
        elif key == Qt.Key.Key_End:
            view.freeze(view.recorded)
        else:
            event.ignore()
            return
        self._changed()

    def _changed(self) -> None:
        self.view_changed.emit()
        self.update()
