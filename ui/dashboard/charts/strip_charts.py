"""Strip charts over one time axis, drawn from the trace buffer's pixel columns.

Reduced windows are drawn as bars between the extremes of each column, on whole device
pixels. Single samples are joined by lines one device pixel wide, several side by side where
they should look wider: Qt strokes wider pens in software at ten to twenty times the cost.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Protocol

from PySide6.QtCore import QPointF, QRect, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent, QPen, QPixmap, QWheelEvent

from ui.dashboard.bench import TRACE_INDEX, TraceBuffer, Window, number
from ui.dashboard.charts.chart_cursors import Plot, paint_cursors
from ui.dashboard.charts.chart_grid import paint_grid
from ui.dashboard.charts.chart_lines import (
    DeviceScale,
    band_shapes,
    draw_columns,
    draw_trace,
    extremes,
    mixed,
    pixel_columns,
)
from ui.dashboard.charts.chart_marks import paint_marks
from ui.dashboard.charts.chart_title import paint_title
from ui.dashboard.charts.chart_view import PANELS, ChartView, Span
from ui.dashboard.charts.time_canvas import TimeCanvas
from ui.dashboard.widgets import Sizes, Theme

MOST_COLUMNS = 900
Painting = Callable[[QPainter, int, Plot, Window, float], None]


class Traced(Protocol):
    """A live bench or a recorded run, as far as charts draw it."""

    @property
    def buffer(self) -> TraceBuffer: ...
    @property
    def marks(self) -> Any: ...


class StripCharts(TimeCanvas):
    """Force, deflection, position and torque over time; freeze, scroll, cursors, markers."""

    view: ChartView

    def __init__(self, model: Traced, theme: Theme, sizes: Sizes) -> None:
        super().__init__(ChartView(model.buffer), theme, sizes)
        self.model = model
        self._column_px = 1
        self._begun: tuple[tuple[object, ...], int, float, Window] | None = None
        self._frame: Window | None = None  # while a chart of a frame is drawn
        self._ground: QPixmap | None = None  # grids, numbers and titles, as long as they fit
        self._ground_of: dict[
            int, tuple[object, ...]
        ] = {}  # of each chart: what it was painted for
        self._making: QPixmap | None = None  # the charts of that frame, painted in parts
        self.setMinimumSize(sizes.px(300), sizes.px(320))
        self.setAccessibleName("Strip charts")
        self.setAccessibleDescription(
            "Left and right move the cursor, with shift the second one; page up and page down "
            "look back; C places and removes cursors"
        )

    # ------------------------------------------------------------------ geometry

    def _plots(self) -> list[Plot]:
        metrics = QFontMetricsF(self.text_font())
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
            plots.append(Plot(self.view.shown(panel), outer, inner))
            y += tall
        return plots

    def time_axis(self) -> QRectF:
        return self._plots()[0].inner

    # ------------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setFont(self.text_font())
        plots = self._plots()
        inner = plots[0].inner
        ratio = self.devicePixelRatioF()
        view = self.view
        window = self._frame or self._window(inner, ratio)
        drawn = []
        prepared = self._making if self._frame is not None else None
        if prepared is not None:
            painter.drawPixmap(0, 0, prepared)
        for i, plot in enumerate(plots):
            if not event.rect().intersects(plot.outer.toRect()):
                continue
            drawn.append(plot)
            if prepared is not None:
                continue
            self._settle(i, plot, window)
            self._paint_ground(painter, i, plot)
            self._paint_bands(painter, i, plot, window, ratio)
            self._paint_traces(painter, i, plot, window, ratio)
        if prepared is None:
            self._paint_marks(painter)
            if plots[-1] in drawn:
                self._paint_time_axis(painter, plots[-1].inner)
        paint_cursors(painter, view, plots, self.theme, self.sizes.scale)
        if view.frozen and not view.recorded:
            self._paint_frozen(painter, inner)
        self.paint_focus(painter)
        painter.end()

    def _window(self, inner: QRectF, ratio: float) -> Window:
        """Return what is in view, reduced to columns of the plotting area."""
        view = self.view
        columns = pixel_columns(view.start_s, view.window_s, inner.width() * ratio, MOST_COLUMNS)
        self._column_px = columns.step_px
        start_s = columns.start_s
        return view.buffer.window(start_s, start_s + columns.span_s, columns.count)

    def slices(self) -> list[Callable[[], None]]:
        """Return slices for what is in view, for the parts of the charts, and to show each chart.

        The parts are painted off screen: the ground of each chart, unless it is the one of the
        frame before, then its bands and its traces, those of the first chart in two halves, then
        marks and time axis.
        """
        plots = self._plots()
        rects = [plot.outer.toRect() for plot in plots]
        rects[-1].setBottom(self.height())
        half = len(plots[0].panel.traces) // 2
        traces = self._paint_traces
        parts: list[tuple[int, Painting]] = [
            (0, self._paint_bands),
            (0, partial(traces, most=half)),
        ]
        parts += [(0, partial(traces, since=half)), *((i, traces) for i in range(1, len(plots)))]
        parts.append((0, lambda painter, *_: self._paint_marks(painter)))
        last = len(plots) - 1
        parts.append(
            (last, lambda painter, _, plot, *__: self._paint_time_axis(painter, plot.inner))
        )
        return [
            self._begin_frame,
            *(partial(self._prepare_ground, i) for i in range(len(plots))),
            *(partial(self._paint_part, i, part) for i, part in parts),
            *(partial(self._draw_chart, rect) for rect in rects),
        ]

    def _begin_frame(self) -> None:
        """Take what is in view, the same for all charts of the frame."""
        self.view.find_trigger()
        window = self._window(self._plots()[0].inner, self.devicePixelRatioF())
        self._begun = (self._seen(), self.model.buffer.count, self.view.end_s, window)
        self._making = None

    def _settle(self, index: int, plot: Plot, window: Window) -> None:
        low, high = extremes(plot.panel, window)
        self.view.settle(index, low, high)

    def _prepare_ground(self, index: int) -> None:
        """Paint the ground of a chart off screen if it has changed; the last begins the frame."""
        if self._begun is None or self._begun[0] != self._seen():
            return
        ground, self._ground = self._ground, None
        size, ratio = self.size() * self.devicePixelRatioF(), self.devicePixelRatioF()
        if ground is None or ground.size() != size or ground.devicePixelRatio() != ratio:
            ground = QPixmap(size)
            ground.setDevicePixelRatio(ratio)
            ground.fill(Qt.GlobalColor.transparent)
            self._ground_of.clear()
        plots = self._plots()
        plot = plots[index]
        self._settle(index, plot, self._begun[3])
        span = self.view.spans[index]
        fits = (plot.panel, plot.outer, plot.inner, span.low, span.high, self.theme, self.sizes)
        if self._ground_of.pop(index, None) != fits:
            painter = QPainter(ground)
            try:
                painter.setFont(self.text_font())
                painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_Source)
                painter.fillRect(plot.outer, Qt.GlobalColor.transparent)
                painter.setCompositionMode(QPainter.CompositionMode.CompositionMode_SourceOver)
                painter.setClipRect(plot.outer)
                self._paint_ground(painter, index, plot)
            finally:
                painter.end()  # while the pixmap exists: a painter must not outlive it
        self._ground_of[index] = fits
        self._ground = ground
        if index == len(plots) - 1 and len(self._ground_of) == len(plots):
            self._making = ground.copy()

    def _paint_part(self, index: int, paint: Painting) -> None:
        """Paint a part of a chart off screen; nothing if the view has changed."""
        picture, self._making = self._making, None
        if picture is None or self._begun is None or self._begun[0] != self._seen():
            return
        _, _, end_s, window = self._begun
        painter = QPainter(picture)
        self.view.frame_s = end_s
        try:
            painter.setFont(self.text_font())
            paint(painter, index, self._plots()[index], window, picture.devicePixelRatioF())
        finally:
            self.view.frame_s = None
            painter.end()  # while the pixmap exists: a painter must not outlive it
        self._making = picture

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
        paint_grid(
            painter,
            inner,
            ticks,
            decimals,
            lambda value: self._y(inner, span, value),
            theme,
            gap=7 * u,
            # The title is above, and the next chart begins below.
            free=(inner.top() + 0.3 * line, plot.outer.bottom() - 2 * u),
        )
        painter.setPen(QPen(QColor(theme.rule), 1))
        if index:
            painter.drawLine(plot.outer.topLeft(), plot.outer.topRight())
        paint_title(painter, panel, plot.outer.top(), inner.right(), theme, u)

    def _y(self, inner: QRectF, span: Span, value: float) -> float:
        return inner.bottom() - (value - span.low) / (span.high - span.low) * inner.height()

    def _begin_scaled(self, painter: QPainter, index: int, plot: Plot, ratio: float) -> DeviceScale:
        """Let the painter draw in the device pixels of a plot, until ``restore``."""
        view, span = self.view, self.view.spans[index]
        ends = span.low, span.high
        scale = DeviceScale(plot.inner, ratio, view.start_s, view.window_s, ends, plot.panel.factor)
        scale.begin(painter)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        return scale

    def _paint_bands(
        self, painter: QPainter, index: int, plot: Plot, window: Window, ratio: float
    ) -> None:
        """Paint the bands of uncertainty: below every line, and opaque.

        Qt blends tall transparent bars at thirty times the cost of plain ones.
        """
        if not len(window.times):
            return
        scale = self._begin_scaled(painter, index, plot, ratio)
        x = scale.x(window.times)
        painter.setPen(Qt.PenStyle.NoPen)
        for trace in plot.panel.traces:
            if not trace.band:
                continue
            place = TRACE_INDEX[trace.column]
            half = window.high[TRACE_INDEX[trace.band]]
            painter.setBrush(mixed(getattr(self.theme, trace.colour), self.theme.ground))
            low, high = scale.y(window.low[place] - half), scale.y(window.high[place] + half)
            if window.reduced:
                draw_columns(painter, x, self._column_px, low, high, 0.0, False, window)
            else:
                for shape in band_shapes(x, high, low):
                    painter.drawPolygon(shape)
        painter.restore()

    def _paint_traces(
        self,
        painter: QPainter,
        index: int,
        plot: Plot,
        window: Window,
        ratio: float,
        since: int = 0,
        most: int | None = None,
    ) -> None:
        """Paint the lines of the panel's traces ``since`` to ``most``."""
        if not len(window.times):
            return
        scale = self._begin_scaled(painter, index, plot, ratio)
        x = scale.x(window.times)
        for trace in plot.panel.traces[since:most]:
            place = TRACE_INDEX[trace.column]
            colour = QColor(getattr(self.theme, trace.colour))
            width = max(1.0, (1.0 if trace.thin else 1.9) * self.sizes.scale * ratio)
            own = Window(window.times, window.low[place], window.high[place], window.reduced)
            draw_trace(painter, scale, own, x, self._column_px, colour, width, trace.dashed)
        painter.restore()

    def _paint_marks(self, painter: QPainter) -> None:
        theme, u = self.theme, self.sizes.scale
        paint_marks(painter, self._plots(), self.view, self.model.marks, theme, u)

    def _paint_time_axis(self, painter: QPainter, inner: QRectF) -> None:
        view, theme, u = self.view, self.theme, self.sizes.scale
        metrics = QFontMetricsF(painter.font())
        base = inner.bottom() + 5 * u + metrics.ascent()
        triggered = view.triggered_s is not None and not view.frozen
        behind = view.end_s - view.buffer.end_s if view.frozen or triggered else 0.0  # ≤ 0
        short = view.window_s < 2.0
        near, decimals = (0.005, 2) if short else (0.05, 1)
        minutes = view.window_s > 120
        unit_s, unit = (60.0, "min") if minutes else (1.0, "s")
        fifths = 5
        painter.setPen(QColor(theme.quiet))
        for i in range(fifths + 1):
            x = inner.left() + inner.width() * i / fifths
            painter.drawLine(QPointF(x, inner.bottom()), QPointF(x, inner.bottom() + 4 * u))
            shown = (behind - view.window_s * (1 - i / fifths)) / unit_s
            whole = abs(shown - round(shown)) < near
            figure = number(shown, 0 if whole else decimals)
            text = f"{figure} {unit}" if i in (0, fifths) else figure
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
            # On the side without cursors.
            late = sum(view.cursors) / 2 > view.start_s + view.window_s / 2
            middle = inner.left() + inner.width() * (0.3 if late else 0.7)
            spot = QRectF(middle - wide / 2, inner.bottom() + 5 * u, wide, metrics.height())
            painter.fillRect(spot, QColor(theme.ground))
            painter.setPen(QColor(theme.ink))
            painter.drawText(spot, Qt.AlignmentFlag.AlignCenter, text)

    def _paint_frozen(self, painter: QPainter, inner: QRectF) -> None:
        """Mark the chart as frozen: it must not look live."""
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

    # ------------------------------------------------------------------ mouse and keys

    def click_cursor(self, which: int, x: float) -> None:
        if not self.view.frozen:
            self.view.freeze(True)
        super().click_cursor(which, x)

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.view.scroll(event.angleDelta().y() / 120 * -0.1 * self.view.window_s)
        self.changed()

    def act_by_key(self, key: int) -> bool:
        if key == Qt.Key.Key_Home:
            self.view.scroll(-1e12)
        elif key == Qt.Key.Key_End:
            self.view.freeze(self.view.recorded)
        else:
            return False
        return True
