"""The Runs page in plain Python: the folder's contents, the search, the opened runs."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hil.recorder import (
    RunError,
    RunSummary,
    bin_run,
    change_labels,
    list_runs,
    restore_run,
    search_runs,
)
from ui.dashboard.bench import OperateModel
from ui.dashboard.runs.opened import Opened
from ui.dashboard.runs.series import LiveSeries, RunSeries

STATUS_WORDS = {
    "recording": "recording now",
    "interrupted": "interrupted; 'hookeline runs repair' completes it",
    "complete": "complete",
    "repaired": "repaired",
    "damaged": "damaged",
}


class RunsModel:
    """List of runs, read and opened in a separate thread; ``take`` takes the results.

    Attributes:
        runs: those that the search finds, pinned ones first, then newest first.
        search: words that each shown run holds.
        opened: runs that are shown, or None.
        text: status, or why nothing can be shown.
        binned: folder names put into the bin from here, for undo.
        changes: number of results taken from the background.
    """

    def __init__(self, directory: Path | None, bench: OperateModel | None = None) -> None:
        self.directory = directory
        self.bench = bench
        self.all: list[RunSummary] = []
        self.runs: list[RunSummary] = []
        self.search = ""
        self.opened: Opened | None = None
        self.text = ""
        self.binned: list[str] = []
        self.changes = 0
        self._found: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()
        self._tasks: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        if directory is None:
            self.text = (
                "The folder of runs is not known to this window: the recorder keeps it on the "
                "rig's own machine. Name it with --runs to look at runs here."
            )

    # ------------------------------------------------------------------ list

    def renew(self) -> None:
        """Read the folder again, in the background."""
        if self.directory is not None:
            directory = self.directory
            self._begin(lambda: self._list(directory))

    def find(self, words: str) -> None:
        """Show the runs that contain these words."""
        self.search = words
        found = search_runs(self.all, words)
        self.runs = [run for run in found if run.pinned] + [run for run in found if not run.pinned]

    def take_list(self, runs: list[RunSummary]) -> None:
        """Take runs in the order of their numbers."""
        self.all = runs[::-1]
        self.find(self.search)
        if not runs:
            self.text = f"No runs in {self.directory} yet. R on the Operate page records."
        elif self.opened is None:
            self.text = "Choose a run; Enter opens it."

    def label(self, run: RunSummary, **changes: Any) -> str:
        """Change labels; return '' or the error."""
        try:
            change_labels(run.path, **changes)
        except RunError as error:
            self.text = str(error)
            return self.text
        self.text = ""
        self._list_now()
        return ""

    def bin(self, run: RunSummary) -> None:
        """Move a run into the bin."""
        try:
            bin_run(run.path)
        except RunError as error:
            self.text = str(error)
            return
        self.binned.append(run.path.name)
        self.text = f"{run.path.name} is in the bin; Ctrl+Z puts it back."
        self._list_now()

    def put_back(self) -> None:
        """Put back the run that went into the bin last."""
        if not self.binned or self.directory is None:
            self.text = "Nothing was put into the bin from here."
            return
        try:
            path = restore_run(self.directory, self.binned[-1])
            self.text = f"{path.name} is back."
        except RunError as error:
            self.text = str(error)
        self.binned.pop()
        self._list_now()

    def _list_now(self) -> None:
        """Read the list at once: with an index that takes a fraction of a second."""
        text = self.text
        if self.directory is not None:
            try:
                self.take_list(list_runs(self.directory))
            except RunError as error:
                text = str(error)
        self.text = text or self.text

    # ------------------------------------------------------------------ opening

    def open(self, *runs: RunSummary) -> None:
        """Load one run, or several to overlay, in the background."""
        paths = [run.path for run in runs]
        self.text = f"opening {', '.join(path.name for path in paths)} …"
        self._begin(lambda: self._open(paths))

    def open_live(self) -> None:
        """Show the last ten minutes of the bench, without stopping anything."""
        if self.bench is None or not self.bench.buffer.count:
            self.text = "No sample has arrived from the bench yet."
            return
        self.opened = Opened([LiveSeries(self.bench)])
        self.text = ""

    def choose(self, columns: list[str]) -> None:
        """Show these columns over time; those not read yet are read in the background."""
        if self.opened is None:
            return
        self.opened.chosen = columns
        self.need(columns)

    def need(self, columns: list[str]) -> None:
        """Read columns of what is open, in the background."""
        opened = self.opened
        if opened is not None and any(
            not series.ready(name) for series in opened.series for name in columns
        ):
            self._begin(lambda: self._load(opened, columns))

    def compute(self, task: Callable[[], Any], then: Callable[[Any], object]) -> None:
        """Do ``task`` in the background, and ``then`` with its result on the thread that draws."""

        def both() -> None:
            result = task()
            self._found.put(lambda: then(result))

        self._begin(both)

    def take(self) -> None:
        """Take the results of the background."""
        while not self._found.empty():
            self._found.get()()
            self.changes += 1

    def wait(self, seconds: float = 10.0) -> None:
        """Wait until the background has finished, and take its results."""
        end_s = time.monotonic() + seconds
        done = threading.Event()
        self._begin(done.set)
        done.wait(max(0.0, end_s - time.monotonic()))
        self.take()

    def close(self) -> None:
        """End the background thread."""
        self._tasks.put(None)

    # ------------------------------------------------------------------ background

    def _begin(self, task: Callable[[], None]) -> None:
        self._tasks.put(task)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="runs", daemon=True)
            self._thread.start()

    def _work(self) -> None:
        while (task := self._tasks.get()) is not None:
            try:
                task()
            except (RunError, OSError) as error:
                self._say(str(error))
            except Exception as error:  # a run may hold anything; the page must keep working
                self._say(f"this run cannot be shown ({type(error).__name__}: {error})")

    def _say(self, text: str) -> None:
        self._found.put(lambda: setattr(self, "text", text))

    def _list(self, directory: Path) -> None:
        runs = list_runs(directory)
        self._found.put(lambda: self.take_list(runs))

    def _open(self, paths: list[Path]) -> None:
        opened = Opened([RunSeries(path) for path in paths])
        opened.load(opened.chosen)

        def show() -> None:
            self.opened = opened
            self.text = ""

        self._found.put(show)
        opened.measure()
        self._found.put(lambda: None)

    def _load(self, opened: Opened, columns: list[str]) -> None:
        for name in columns:
            opened.load([name])
            self._found.put(lambda: None)
