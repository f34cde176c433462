"""Measure the Runs page: a list of 10 000 runs, an hour at 1 kHz to its first picture, pan and
zoom.

The list has ten thousand folders with one run's files linked into each, listed by the index.
Baseline in the same run: looking at each folder and its run.yaml alone (``scandir`` and ``stat``),
below which nothing that checks the index can come.

First picture: from the request to the picture in memory, of six columns in four panels. Beside it,
taking turns, the same columns of the same file: pyarrow and pyqtgraph on raw arrays with its
documented settings for much data (clip, automatic peaks), and pandas with matplotlib, which the
extra ``benchmarks`` installs. The file is in the page cache by then, for all alike. Each run is
released before the next is opened: ten hours at once would crowd the memory.

Pan and zoom take random windows from the whole hour down to 50 ms, a frame each.

The table shows processor time beside elapsed time, which a busy computer lengthens.
"""

from __future__ import annotations

import gc
import importlib.util
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
import pyarrow.parquet as pq
import pyqtgraph as pg
from PySide6.QtCore import QEvent
from PySide6.QtWidgets import QApplication, QWidget
from table import Benchmark

from hil.core import COLUMNS, INDEX
from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunSummary, RunWriter, list_runs
from ui.dashboard.app import application
from ui.dashboard.bench import OperateModel, PageContext
from ui.dashboard.runs import RunsModel, RunsPage
from ui.dashboard.runs.picture_view import FIRST_COLUMNS, plan_panels
from ui.dashboard.runs.series import ColumnInfo
from ui.dashboard.widgets import THEMES, sizes_for

RUNS = 10_000
RATE_HZ = 1000
SIZE = (1280, 560)
LISTS, OPENINGS, FRAMES, PEER_FRAMES, PLOT_FRAMES = 30, 10, 400, 60, 3
CHUNK = 40_000
NO_PANDAS = (
    "pandas with matplotlib was not measured beside: pandas is not installed. Fix: "
    "pip install -e '.[benchmarks]'"
)


def make_hour(runs: Path, seconds: int) -> Path:
    rng = np.random.default_rng(1)
    with RunWriter(runs, "hour", {"profile": profile()}) as writer:
        for first in range(0, seconds * RATE_HZ, CHUNK):
            t = (first + np.arange(CHUNK)) / RATE_HZ
            waves = np.sin(t[:, None] * (0.3 + 0.1 * np.arange(len(COLUMNS))))
            rows = waves + 0.02 * rng.normal(size=(CHUNK, len(COLUMNS)))
            for i, column in enumerate(COLUMNS):
                if column.kind.startswith("int"):
                    rows[:, i] = 2
            rows[:, INDEX["limited"]] = (first // CHUNK) % 9 == 0
            rows[:, INDEX["time_s"]] = t + rng.uniform(0, 2e-5, CHUNK)
            rows[:, INDEX["cycle"]] = first + np.arange(CHUNK)
            writer.rows(rows)
            writer.event({"kind": "marker", "time_s": t[0], "cycle": first, "text": f"at {t[0]:g}"})
            writer.flush()
    assert writer.path is not None
    return writer.path


def profile() -> dict[str, object]:
    return profile_to_dict(load_profile("footplate_trainer"))


def make_many(runs: Path, count: int) -> None:
    with RunWriter(runs, "float", {"profile": profile()}, note="one of many") as writer:
        writer.rows(np.zeros((20, len(COLUMNS))))
    source = writer.path
    assert source is not None
    then = time.time() - 3600.0
    for file in source.iterdir():
        os.utime(file, (then, then))
    for number in range(2, count + 1):
        folder = runs / f"{number:04d}-float"
        folder.mkdir()
        for file in source.iterdir():
            os.link(file, folder / file.name)
    for folder in runs.iterdir():
        os.utime(folder, (then, then))


def timed(act: Callable[[], object]) -> float:
    started = time.perf_counter()
    act()
    return time.perf_counter() - started


def look_at_each(runs: Path) -> None:
    with os.scandir(runs) as entries:
        for entry in entries:
            if entry.is_dir():
                entry.stat()
                os.stat(f"{entry.path}/run.yaml")


def page_on(runs: Path) -> tuple[RunsModel, RunsPage]:
    model = OperateModel({"profile": profile()})
    view = RunsModel(runs, model)
    sizes = sizes_for(1280, 720)
    page = RunsPage(PageContext(model, None, view, THEMES["light"], sizes, runs, print))
    page.resize(*SIZE)
    page.show()
    return view, page


def measure_list(bench: Benchmark, directory: Path) -> None:
    bench.figure("first list, without an index", timed(lambda: list_runs(directory)), unit="s")
    view, page = page_on(directory)
    gc.collect()
    gc.freeze()  # as the dashboard does once it is open
    taken, shown, floor, spent = [], [], [], []
    for _ in range(LISTS):
        floor.append(timed(lambda: look_at_each(directory)))
        before_s = time.process_time()
        taken.append(timed(lambda: list_runs(directory)))
        spent.append(time.process_time() - before_s)
        runs = list_runs(directory)

        def show(runs: list[RunSummary] = runs) -> None:
            view.take_list(runs)
            page._fill()
            page.grab()

        shown.append(timed(show))
    view.close()
    page.deleteLater()
    bench.samples(f"list of {RUNS} runs", taken, unit="ms", scale=1e3)
    bench.samples("list, processor time of it", spent, unit="ms", scale=1e3)
    bench.samples("list and its drawing", np.add(taken, shown), unit="ms", scale=1e3)
    bench.samples("each folder looked at", floor, unit="ms", scale=1e3)
    name = f"list of {RUNS} runs"
    bench.percentile("list and its drawing, median", "list and its drawing", "median", most=300.0)
    bench.ratio("list to looking at each folder", name, "each folder looked at")


def panels() -> list[tuple[str, ...]]:
    there = [ColumnInfo(column.name, column.unit, "") for column in COLUMNS]
    return [plan.columns for plan in plan_panels(FIRST_COLUMNS, there)]


class Peer:
    """pyqtgraph on raw arrays."""

    def __init__(self, file: Path) -> None:
        table = pq.read_table(file, columns=["time_s", *FIRST_COLUMNS])
        times = table.column("time_s").to_numpy()
        self.widget = pg.GraphicsLayoutWidget()
        self.widget.resize(*SIZE)
        self.plots = []
        for row, names in enumerate(panels()):
            plot = self.widget.addPlot(row=row, col=0)
            plot.setClipToView(True)
            plot.setDownsampling(auto=True, mode="peak")
            for i, name in enumerate(names):
                values = table.column(name).to_numpy()
                plot.plot(times, values, pen=pg.mkPen(pg.intColor(i), width=1))
            self.plots.append(plot)
        self.widget.show()

    def frame(self, start_s: float, end_s: float) -> None:
        for plot in self.plots:
            plot.setXRange(start_s, end_s, padding=0)
        self.widget.grab()


class PlotPeer:
    """pandas with matplotlib."""

    def __init__(self, file: Path) -> None:
        import pandas
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        frame = pandas.read_parquet(file, columns=["time_s", *FIRST_COLUMNS]).set_index("time_s")
        figure = Figure(figsize=(SIZE[0] / 100, SIZE[1] / 100), dpi=100)
        self.canvas = FigureCanvasAgg(figure)
        self.axes = figure.subplots(len(panels()), 1, sharex=True)
        for axis, names in zip(self.axes, panels(), strict=True):
            frame[list(names)].plot(ax=axis)
        self.canvas.draw()

    def frame(self, start_s: float, end_s: float) -> None:
        self.axes[0].set_xlim(start_s, end_s)
        self.canvas.draw()


def let_go(view: RunsModel, *widgets: QWidget) -> None:
    """Release everything that was read for a page and its peer."""
    view.close()
    view.opened = None
    for widget in widgets:
        widget.close()
        widget.deleteLater()
    QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    gc.collect()


def windows(whole_s: float, count: int) -> list[tuple[float, float]]:
    rng = np.random.default_rng(4)
    lengths = whole_s * (0.05 / whole_s) ** rng.uniform(0.0, 1.0, count)
    starts = rng.uniform(0.0, 1.0, count) * (whole_s - lengths)
    return [(float(a), float(a + n)) for a, n in zip(starts, lengths, strict=True)]


def measure_hour(bench: Benchmark, run: Path, seconds: int) -> None:
    directory, file = run.parent, run / "samples.parquet"
    pandas = importlib.util.find_spec("pandas") is not None
    ours, raw, plots, spent = [], [], [], []
    view = page = peer = None
    for _ in range(OPENINGS):
        if view is not None and page is not None and peer is not None:
            let_go(view, page, peer.widget)
        view, page = page_on(directory)
        view.take_list(list_runs(directory))
        page._fill()
        page.grab()

        def opened(view: RunsModel = view, page: RunsPage = page) -> None:
            view.open(view.runs[0])
            while view.opened is None:
                view.take()
                time.sleep(0.001)
            page._fill()
            page.grab()

        before_s = time.process_time()
        ours.append(timed(opened))
        spent.append(time.process_time() - before_s)
        view.wait(60.0)
        peers: list[Peer] = []

        def drawn_raw(peers: list[Peer] = peers) -> None:
            peers.append(Peer(file))
            peers[0].widget.grab()

        raw.append(timed(drawn_raw))
        peer = peers[0]
    for _ in range(2 if pandas else 0):
        plots.append(timed(lambda: PlotPeer(file)))
    bench.samples("hour to its first picture", ours, unit="ms", scale=1e3)
    bench.samples("hour, processor time of it", spent, unit="ms", scale=1e3)
    bench.samples("hour, pyqtgraph on raw arrays", raw, unit="ms", scale=1e3)
    if plots:
        bench.samples("hour, pandas with matplotlib", plots, unit="ms", scale=1e3)
    assert view is not None and page is not None and peer is not None
    picture = page.panel.picture

    frames, drawn_s = [], []
    for span in windows(seconds - 1.0, FRAMES):
        before_s = time.thread_time()
        picture.view.show(*span)
        frames.append(timed(picture.grab))
        drawn_s.append(time.thread_time() - before_s)
    bench.samples("pan and zoom", frames, unit="ms", scale=1e3)
    bench.samples("pan and zoom, processor time of it", drawn_s, unit="ms", scale=1e3)
    spans = windows(seconds - 1.0, PEER_FRAMES)
    bench.samples(
        "pan and zoom, pyqtgraph",
        [timed(partial(peer.frame, *span)) for span in spans],
        unit="ms",
        scale=1e3,
    )
    if pandas:
        plot = PlotPeer(file)
        bench.samples(
            "pan and zoom, matplotlib",
            [timed(partial(plot.frame, *span)) for span in spans[:PLOT_FRAMES]],
            unit="ms",
            scale=1e3,
        )
    else:
        bench.note(NO_PANDAS)
    first = "hour to its first picture"
    bench.percentile(f"{first}, median", first, "median", most=1000.0)
    bench.ratio("first picture to pyqtgraph's", first, "hour, pyqtgraph on raw arrays")
    if plots:
        bench.ratio(
            "first picture to pandas' and matplotlib's", first, "hour, pandas with matplotlib"
        )
    bench.percentile("pan and zoom, median", "pan and zoom", "median", most=16.0)
    bench.percentile("pan and zoom, p99", "pan and zoom", "p99", most=16.0)
    bench.ratio("frame to pyqtgraph's", "pan and zoom", "pan and zoom, pyqtgraph")
    view.close()


def main() -> int:
    bench = Benchmark("The Runs page", __doc__)
    bench.parser.add_argument("--only", choices=("list", "hour"), help="one part alone")
    options = bench.parse()
    application()
    directory = Path(tempfile.mkdtemp(prefix="hk-runs-"))
    try:
        for part in ("list", "hour"):
            (directory / part).mkdir()
        if options.only != "hour":
            make_many(directory / "list", RUNS)
            measure_list(bench, directory / "list")
        if options.only != "list":
            seconds = int(options.seconds or 3600)
            measure_hour(bench, make_hour(directory / "hour", seconds), seconds)
    finally:
        shutil.rmtree(directory)
    bench.note(f"pictures of {SIZE[0]} × {SIZE[1]} pixels, offscreen")
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
