"""The Runs page in plain Python: what the folder holds, and one run made ready to look at."""

from __future__ import annotations

import queue
import threading
from collections import deque
from pathlib import Path

import numpy as np

from hil.analysis import figure_line, mark_label, measure
from hil.recorder import RunError, RunSummary, list_runs, load_run
from ui.dashboard.bench import TRACES, Mark, TraceBuffer

STATUS_WORDS = {
    "recording": "recording now",
    "interrupted": "cut off; 'hookeline runs repair' finishes it",
    "complete": "complete",
    "repaired": "repaired",
    "damaged": "damaged",
}


class RecordedTraces:
    """One run's traces and marks, as the charts want them, and its figures in words."""

    def __init__(self, path: Path) -> None:
        run = load_run(path)
        times = np.asarray(run.column("time_s"), dtype=float)
        names = set(run.table.column_names)
        values = np.full((len(times), len(TRACES)), np.nan, dtype=np.float32)
        for i, name in enumerate(TRACES):
            if name in names:
                values[:, i] = run.column(name)
        self.name = path.name
        self.note = str(run.meta.get("note") or "")
        self.figures: list[str] = []
        try:
            measured = measure(run)
            self.figures += [figure_line(figure) for figure in measured.figures]
            self.figures += [f"not measured: {missing}" for missing in measured.missing]
        except RunError as error:  # a run of an older form lacks columns, and is shown all the same
            self.figures.append(f"no figures: {error}")
        self.buffer = TraceBuffer(len(TRACES), max(len(times), 1))
        self.buffer.append(times, values)
        self.marks: deque[Mark] = deque(maxlen=500)
        for event in run.events:
            if event.get("kind") == "marker":
                label = mark_label(str(event.get("text", "")))
                self.marks.append(Mark(float(event.get("time_s", 0.0)), label))
            elif event.get("kind") == "stop":
                cause = str(event.get("cause", ""))
                self.marks.append(Mark(float(event.get("time_s", 0.0)), f"stop: {cause}"))


class RunsModel:
    """Lists and opens runs from a thread of its own; ``take`` picks up what it found.

    Attributes:
        runs: newest first.
        opened: the run in the charts, or None.
        text: what is going on, or why nothing can be shown.
    """

    def __init__(self, directory: Path | None) -> None:
        self.directory = directory
        self.runs: list[RunSummary] = []
        self.opened: RecordedTraces | None = None
        self.text = ""
        self._found: queue.SimpleQueue[list[RunSummary] | RecordedTraces | str] = (
            queue.SimpleQueue()
        )
        if directory is None:
            self.text = (
                "The folder of runs is not known to this window: the recorder keeps it on the "
                "rig's own machine. Name it with --runs to look at runs here."
            )

    def renew(self) -> None:
        """Read the folder again, in the background."""
        if self.directory is not None:
            threading.Thread(target=self._list, args=(self.directory,), daemon=True).start()

    def open(self, summary: RunSummary) -> None:
        """Load a run, in the background."""
        self.text = f"opening {summary.path.name} …"
        threading.Thread(target=self._open, args=(summary.path,), daemon=True).start()

    def take(self) -> bool:
        """Pick up what the background found; whether anything changed."""
        changed = False
        while not self._found.empty():
            found = self._found.get()
            changed = True
            if isinstance(found, list):
                self.runs = found
                if not found:
                    self.text = f"No runs in {self.directory} yet. R on the Operate page records."
                elif self.opened is None:
                    self.text = "Choose a run; Enter opens it."
            elif isinstance(found, RecordedTraces):
                self.opened = found
                self.text = found.note
            else:
                self.text = found
        return changed

    def _list(self, directory: Path) -> None:
        try:
            self._found.put(list(reversed(list_runs(directory))))
        except RunError as error:
            self._found.put(str(error))

    def _open(self, path: Path) -> None:
        try:
            self._found.put(RecordedTraces(path))
        except RunError as error:
            self._found.put(str(error))
