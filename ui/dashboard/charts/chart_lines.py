"""Pixel columns and samples as Qt polylines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF
from shiboken6 import VoidPtr, wrapInstance

from ui.dashboard.bench import TRACE_INDEX, Window
from ui.dashboard.charts.chart_view import Panel

FAR_PX = 1e5


@dataclass(frozen=True)
class PixelColumns:
    """Columns of whole device pixels whose edges are fixed in time.

    A passing peak would shimmer otherwise.

    Attributes:
        step_px: width of one in device pixels.
        start_s: left edge of the first, at or before what is in view.
        span_s: length of all.
    """

    step_px: int
    start_s: float
    span_s: float
    count: int


def pixel_columns(start_s: float, window_s: float, wide_px: float, most: int) -> PixelColumns:
    """Divide a window that is ``wide_px`` device pixels wide into ``most`` columns at most."""
    step_px = max(1, math.ceil(wide_px / most))
    width_s = window_s * step_px / wide_px
    count = math.ceil(wide_px / step_px) + 1
    return PixelColumns(step_px, math.floor(start_s / width_s) * width_s, count * width_s, count)


class DeviceScale:
    """Times and values of one panel as device pixels.

    Args:
        inner: plotting area, logical pixels.
        ratio: device pixels to a logical one.
        start_s: time at the left edge.
        window_s: length of what is in view.
        span: values at the lower and the upper edge, in the panel's unit.
        factor: converts SI to that unit.
    """

    def __init__(
        self,
        inner: QRectF,
        ratio: float,
        start_s: float,
        window_s: float,
        span: tuple[float, float],
        factor: float,
    ) -> None:
        self.inner, self.ratio = inner, ratio
        self.left, self.wide = inner.left() * ratio, inner.width() * ratio
        self._start_s, self._per_s = start_s, self.wide / window_s
        self._per_si = factor * inner.height() * ratio / (span[1] - span[0])
        self._zero = inner.bottom() * ratio + span[0] / factor * self._per_si
        self._top, self._bottom = inner.top() * ratio - 4, inner.bottom() * ratio + 4

    def begin(self, painter: QPainter) -> None:
        """Let a painter draw in device pixels, only inside the area, until ``restore``."""
        painter.save()
        painter.setClipRect(self.inner.adjusted(0, -1, 0, 1))
        painter.scale(1 / self.ratio, 1 / self.ratio)

    def x(self, times: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return x of times (n,) in s, clipped far outside, where Qt would overflow."""
        x = self.left + (times - self._start_s) * self._per_s
        return np.clip(x, self.left - FAR_PX, self.left + self.wide + FAR_PX)

    def y(self, values: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return y of values (n,) in SI, clipped just outside the area."""
        y = self._zero - values.astype(np.float64) * self._per_si
        return np.clip(y, self._top, self._bottom)


def extremes(panel: Panel, window: Window) -> tuple[float, float]:
    """Return the smallest and largest value that a panel must hold, in its unit; NaN if none.

    For a trace that does not scale the panel the outer tenths are left out: single spikes then
    leave the panel, while a lasting value stays visible.
    """
    low = high = math.nan
    for trace in panel.traces:
        place = TRACE_INDEX[trace.column]
        lower, upper = window.low[place], window.high[place]
        present = np.isfinite(lower)
        if not present.any():
            continue
        if trace.scales:
            least, most = lower[present].min(), upper[present].max()
        else:
            least = np.percentile(lower[present], 10)
            most = np.percentile(upper[present], 90)
        low, high = np.fmin(low, least), np.fmax(high, most)
    return float(low) * panel.factor, float(high) * panel.factor


def runs(present: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first and past-last index of every unbroken stretch of True."""
    padded = np.concatenate(([False], present, [False]))
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in zip(changes[::2], changes[1::2], strict=True)]


def polygon(x: NDArray[np.floating], y: NDArray[np.floating]) -> QPolygonF:
    """Return points (n,) and (n,) as a Qt polygon, filled through its memory."""
    shape = QPolygonF()
    shape.resize(len(x))
    if len(x):
        # The stubs know neither of these two; both are documented.
        place: Any = VoidPtr(shape.data(), 16 * len(x), True)  # type: ignore[arg-type, call-arg]
        memory = np.frombuffer(place, dtype=np.float64)
        memory[0::2] = x
        memory[1::2] = y
    return shape


def column_bars(
    left: int,
    step: int,
    y_low: NDArray[np.floating],
    y_high: NDArray[np.floating],
    width: float,
    dashed: bool,
    window: Window,
) -> NDArray[np.float64]:
    """Return a bar for every column, from extreme to extreme, at least ``width`` pixels tall.

    The bars are rectangles (n, 4) of left, top, width and height in device pixels; column i begins
    at ``left + i·step``. A line up and down through dense columns would paint each pixel many
    times over, and a filled outline costs Qt an edge for each of its corners.
    """
    top, bottom = np.minimum(y_low, y_high), np.maximum(y_low, y_high)
    # Neighbours that share no value meet half way, so that a flank has no holes. Comparisons
    # with NaN are false: nothing is joined across a gap.
    down = np.fmax(top[1:] - bottom[:-1], 0.0) / 2
    up = np.fmax(top[:-1] - bottom[1:], 0.0) / 2
    bottom[:-1] += down
    top[1:] -= down
    top[:-1] -= up
    bottom[1:] += up
    present = np.isfinite(top)
    if dashed and len(window.times) > 1:
        # Dashes are fixed in time; a step is drawn whole wherever it falls.
        column_s = window.times[1] - window.times[0]
        on = (np.round(window.times / column_s).astype(np.int64) % 12) < 8
        present &= on | (bottom - top > 1.5)
    bars = np.empty((int(present.sum()), 4))
    bars[:, 0] = left + step * np.flatnonzero(present)
    bars[:, 1] = top[present] - width / 2
    bars[:, 2] = step
    bars[:, 3] = bottom[present] - top[present] + width
    return bars


def draw_bars(painter: QPainter, bars: NDArray[np.float64]) -> None:
    """Draw rectangles (n, 4) with the painter's brush, without an object for each."""
    if len(bars):
        first: Any = wrapInstance(bars.ctypes.data, QRectF)
        painter.drawRects(first, len(bars))


def draw_columns(
    painter: QPainter,
    x: NDArray[np.floating],
    step_px: int,
    low: NDArray[np.floating],
    high: NDArray[np.floating],
    width: float,
    dashed: bool,
    window: Window,
) -> None:
    """Draw the bars of a reduced window with the painter's brush.

    Args:
        x: middles of the columns (n,), device pixels.
        low: heights of the least values (n,), ``high`` of the greatest, device pixels.
    """
    first = round(float(x[0]) - step_px / 2)
    draw_bars(painter, column_bars(first, step_px, low, high, width, dashed, window))


def draw_trace(
    painter: QPainter,
    scale: DeviceScale,
    window: Window,
    x: NDArray[np.floating],
    step_px: int,
    colour: QColor,
    width: float,
    dashed: bool,
) -> None:
    """Draw a trace: bars of a reduced window, else lines from sample to sample.

    Args:
        window: window of this trace alone, its values (n,) in SI.
        x: places of the window's times (n,), device pixels.
        width: width of the line, device pixels.
    """
    if window.reduced:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(colour)
        y_low, y_high = scale.y(window.low), scale.y(window.high)
        draw_columns(painter, x, step_px, y_low, y_high, width, dashed, window)
        return
    pen = QPen(colour, 1)
    pen.setCosmetic(True)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    lines = sample_lines(x, scale.y(window.low), dashed)
    for dx, dy in passes(width):
        painter.translate(dx, dy)
        for line in lines:
            painter.drawPolyline(line)
        painter.translate(-dx, -dy)


def band_shapes(
    x: NDArray[np.floating], upper: NDArray[np.floating], lower: NDArray[np.floating]
) -> list[QPolygonF]:
    """Return outlines of a band around single samples, one for each unbroken stretch."""
    return [
        polygon(
            np.concatenate((x[a:b], x[a:b][::-1])), np.concatenate((upper[a:b], lower[a:b][::-1]))
        )
        for a, b in runs(np.isfinite(upper) & np.isfinite(lower))
    ]


def mixed(colour: str, ground: str, share: float = 0.22) -> QColor:
    """Return ``share`` of a colour over a ground, opaque."""
    ink, paper = QColor(colour), QColor(ground)
    a_rgb, b_rgb = cast(tuple[int, ...], ink.getRgb()), cast(tuple[int, ...], paper.getRgb())
    parts = zip(a_rgb[:3], b_rgb[:3], strict=True)
    return QColor(*(round(share * a + (1 - share) * b) for a, b in parts))


def sample_lines(x: NDArray[np.floating], y: NDArray[np.floating], dashed: bool) -> list[QPolygonF]:
    present = np.isfinite(y)
    if dashed and len(x) > 1:
        jump = np.abs(np.diff(y, prepend=y[:1])) > 3
        jump[:-1] |= jump[1:]
        present &= (np.floor(x / 4).astype(np.int64) % 3 < 2) | jump
    return [polygon(x[a:b], y[a:b]) for a, b in runs(present)]


def passes(width: float) -> list[tuple[float, float]]:
    """Return offsets at which one-pixel lines together look ``width`` device pixels wide."""
    if width <= 1.25:
        return [(0.0, 0.0)]
    reach = (width - 1) / 2
    if width <= 2.6:
        return [(-reach, 0.0), (reach, 0.0), (0.0, -reach), (0.0, reach)]
    ring = max(6, math.ceil(2 * math.pi * reach / 1.2))
    turns = [2 * math.pi * i / ring for i in range(ring)]
    outer = [(reach * math.cos(a), reach * math.sin(a)) for a in turns]
    return outer if width <= 4 else outer + [(x / 2, y / 2) for x, y in outer[::2]]
