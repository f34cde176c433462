"""Pixel columns and samples as Qt polylines."""

from __future__ import annotations

import math
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QPainter, QPolygonF
from shiboken6 import VoidPtr, wrapInstance

from ui.dashboard.bench import TRACE_INDEX, Window
from ui.dashboard.charts.chart_view import Panel


def extremes(panel: Panel, window: Window) -> tuple[float, float]:
    """Least and greatest value that a panel must hold, in its unit; NaN if it has none.

    Of a trace that does not scale the panel the outer tenths are left out: single spikes then
    pass the edge, while a lasting value is seen.
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
    """First and past-last index of every unbroken stretch of True."""
    padded = np.concatenate(([False], present, [False]))
    changes = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in zip(changes[::2], changes[1::2], strict=True)]


def polygon(x: NDArray[np.floating], y: NDArray[np.floating]) -> QPolygonF:
    """Points (n,) and (n,) as a Qt polygon, filled through its memory."""
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
    """A bar for every column, from extreme to extreme and at least ``width`` pixels tall.

    Returns rectangles (n, 4) of left, top, width and height in device pixels; column i begins
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
        # Dashes stand still in time; a step is drawn whole wherever it falls.
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


def band_shapes(
    x: NDArray[np.floating], upper: NDArray[np.floating], lower: NDArray[np.floating]
) -> list[QPolygonF]:
    """Outlines of a band around single samples, one for each unbroken stretch."""
    return [
        polygon(
            np.concatenate((x[a:b], x[a:b][::-1])), np.concatenate((upper[a:b], lower[a:b][::-1]))
        )
        for a, b in runs(np.isfinite(upper) & np.isfinite(lower))
    ]


def mixed(colour: str, ground: str, share: float = 0.22) -> QColor:
    """``share`` of a colour on a ground, opaque."""
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
    """Offsets at which one-pixel lines drawn together look ``width`` device pixels wide."""
    if width <= 1.25:
        return [(0.0, 0.0)]
    reach = (width - 1) / 2
    if width <= 2.6:
        return [(-reach, 0.0), (reach, 0.0), (0.0, -reach), (0.0, reach)]
    ring = max(6, math.ceil(2 * math.pi * reach / 1.2))
    turns = [2 * math.pi * i / ring for i in range(ring)]
    outer = [(reach * math.cos(a), reach * math.sin(a)) for a in turns]
    return outer if width <= 4 else outer + [(x / 2, y / 2) for x, y in outer[::2]]
