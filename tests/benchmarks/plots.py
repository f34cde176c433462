"""Measure the strip charts' time per frame: 12 traces at 1 kHz, windows of 10, 60 and 600 s.

The charts are drawn offscreen at their size in a 1440 × 900 window. One frame appends the samples
received since the last one and draws the widget into an image. In turn with it, pyqtgraph draws the
same traces at the same size with its automatic peak downsampling. The twelve curves are ten lines
and the two edges of the uncertainty band; pyqtgraph draws twelve lines and no band. Goals are held
against the median; p99 is in the table.

The traces are those of a rig in use: a move to another level every twenty seconds or so, with
noise. The worst content is measured too: twelve sines that fill their charts, so every column is
painted from top to bottom. Growth is the frame time at 600 s after 30 minutes of data, over that of
a window just filled.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QWidget
from table import Benchmark

from hil.profile.loader import load_profile, profile_to_dict
from ui.dashboard.app import application
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.traces import TRACE_INDEX, TRACES
from ui.dashboard.charts.chart_view import PANELS
from ui.dashboard.charts.strip_charts import StripCharts
from ui.dashboard.widgets.theme import LIGHT, sizes_for

WINDOWS_S = (10.0, 60.0, 600.0)
RATE_HZ = 1000
SIZE = (520, 640)
BLOCK = 40  # samples a frame at 25 frames a second
FRAMES = 100
PEER_FRAMES = 15
LATER_S = 1800
CHUNK = 20_000


def made(first: int, count: int, full: bool = False) -> tuple[np.ndarray, np.ndarray]:
    """Return times (count,) and traces (count, 12): levels held and left, or full sines, with
    noise."""
    rng = np.random.default_rng(first)
    times = (first + np.arange(count)) / RATE_HZ
    channels = np.arange(len(TRACES))
    if full:
        values = np.sin(times[:, None] * (6.0 + channels[None, :]))
    else:
        held_s = 17.0 + channels[None, :]
        since, level = np.modf(times[:, None] / held_s)
        before = np.sin(2.3 * (level - 1) + channels)
        after = np.sin(2.3 * level + channels)
        values = after + (before - after) * np.exp(-since * held_s / 0.3)
    values = values + 0.02 * rng.normal(size=(count, len(TRACES)))
    # Every trace stays in the range of its panel, so all are inside the picture.
    scale = np.full(len(TRACES), 1.0)
    for panel in PANELS:
        for trace in panel.traces:
            scale[TRACE_INDEX[trace.column]] = 100.0 if panel.unit == "N" else 10.0 / panel.factor
    scale[TRACE_INDEX["force_u95_N"]] = 5.0
    return times, (values * scale).astype(np.float32)


def milliseconds(widget: QWidget, before: Callable[[], object]) -> float:
    started = time.perf_counter()
    before()
    widget.grab()
    return 1e3 * (time.perf_counter() - started)


class Ours:
    """The dashboard's charts, one for each window, over one history that grows."""

    def __init__(self, full: bool = False) -> None:
        self.full = full
        profile = profile_to_dict(load_profile("footplate_trainer"))
        self.model = OperateModel({"profile": profile})
        self.charts: dict[float, StripCharts] = {}
        for window_s in WINDOWS_S:
            charts = StripCharts(self.model, LIGHT, sizes_for(1440, 900))
            charts.view.choose_window(window_s)
            charts.resize(*SIZE)
            charts.show()
            self.charts[window_s] = charts

    def fill(self, seconds: float) -> None:
        buffer = self.model.buffer
        last = buffer.count + round(seconds * RATE_HZ)
        while buffer.count < last:
            count = min(CHUNK, last - buffer.count)
            buffer.append(*made(buffer.count, count, self.full))

    def frame(self, window_s: float) -> float:
        block = made(self.model.buffer.count, BLOCK, self.full)
        return milliseconds(self.charts[window_s], lambda: self.model.buffer.append(*block))

    def frames(self, count: int) -> dict[float, np.ndarray]:
        """Return frame times by window; the windows take turns, so a busy moment of the machine
        meets all of them."""
        for charts in self.charts.values():
            charts.grab()
        taken = [[self.frame(window_s) for window_s in WINDOWS_S] for _ in range(count)]
        return dict(zip(WINDOWS_S, np.array(taken).T, strict=True))


class Peer:
    """pyqtgraph with the settings its documents give for much data: clip, automatic peaks."""

    def __init__(self) -> None:
        self.widget = pg.GraphicsLayoutWidget()
        self.widget.resize(*SIZE)
        self.plots = []
        self.curves = []
        for row in range(4):
            plot = self.widget.addPlot(row=row, col=0)
            plot.setClipToView(True)
            plot.setDownsampling(auto=True, mode="peak")
            self.plots.append(plot)
            for i in range(3):
                self.curves.append(plot.plot(pen=pg.mkPen(pg.intColor(i), width=1)))
        self.widget.show()

    def frames(
        self, window_s: float, times: np.ndarray, values: np.ndarray, count: int
    ) -> np.ndarray:
        held = round(window_s * RATE_HZ)
        columns = np.ascontiguousarray(values.T)
        taken = []
        for i in range(count):
            end = len(times) - (count - i) * BLOCK
            part = slice(end - held, end)

            def give(part: slice = part, end: int = end) -> None:
                for curve, column in zip(self.curves, columns, strict=True):
                    curve.setData(times[part], column[part])
                for plot in self.plots:
                    plot.setXRange(times[end - 1] - window_s, times[end - 1], padding=0)

            taken.append(milliseconds(self.widget, give))
        return np.array(taken)


def main() -> int:
    bench = Benchmark("Strip charts, 12 traces at 1 kHz", __doc__)
    bench.parse()
    application()
    ours, peer = Ours(), Peer()
    longest = WINDOWS_S[-1]
    ours.fill(longest + 5.0)
    times, values = made(0, round((longest + 5.0) * RATE_HZ))
    mine = ours.frames(FRAMES)
    for window_s in WINDOWS_S:
        bench.samples(f"{window_s:g} s", mine[window_s], unit="ms")
        theirs = peer.frames(window_s, times, values, PEER_FRAMES)
        bench.samples(f"{window_s:g} s, pyqtgraph", theirs, unit="ms")
    # A second history stays at the beginning and is drawn in turn with the old one.
    young = Ours()
    young.fill(longest + 5.0)
    ours.fill(LATER_S)
    turns = [(young.frame(longest), ours.frame(longest)) for _ in range(FRAMES)]
    first, later = np.array(turns[2:]).T
    bench.samples("600 s, window just filled", first, unit="ms")
    bench.samples("600 s, 30 min later", later, unit="ms")
    worst = Ours(full=True)
    worst.fill(longest + 5.0)
    for window_s, taken in worst.frames(FRAMES).items():
        name = f"{window_s:g} s, worst content"
        bench.samples(name, taken, unit="ms")
        bench.percentile(f"frame at {name}, median", name, "median", most=16.0)

    for window_s in WINDOWS_S:
        name = f"{window_s:g} s"
        bench.percentile(f"frame at {name}, median", name, "median", most=16.0)
        bench.percentile(f"frame at {name}, p99", name, "p99")
        bench.ratio(f"frame at {name} to pyqtgraph's", name, f"{name}, pyqtgraph")
    bench.ratio("frame at 600 s to 10 s", "600 s", "10 s", most=1.2)
    bench.ratio("growth over 30 min", "600 s, 30 min later", "600 s, window just filled", most=1.1)
    bench.note(f"charts of {SIZE[0]} × {SIZE[1]} pixels, offscreen, {BLOCK} new samples a frame")
    bench.note("growth is judged at 1.1 to leave room for the clock's own scatter")
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
