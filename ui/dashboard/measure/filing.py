"""Measurements on the disk: a folder each, with its runs, its figures and its data sheet. No Qt."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from hil.core import one_word
from hil.measure import (
    RUNS,
    EvaluatedRun,
    GuardedTest,
    SheetError,
    evaluate_run,
    finished_runs,
    read_sheet,
    sheet_of,
    write_sheet,
)
from hil.recorder import load_run
from ui.dashboard.guided import KeptFolder, newest_folders


def kept_measurements(measured: Path, rig: str) -> list[KeptFolder]:
    """Return measurements of this rig, newest first."""
    named = re.compile(rf"\d{{8}}-\d{{6}}-{re.escape(one_word(rig))}(-\d+)?")

    def of_rig(folder: Path) -> bool:
        return bool(named.fullmatch(folder.name)) and (folder / RUNS).is_dir()

    return [
        KeptFolder(folder, f"{_measured(folder)} measured")
        for folder in newest_folders(measured, of_rig)
    ]


def _measured(folder: Path) -> int:
    with contextlib.suppress(SheetError):
        return len({figure.get("test") for figure in read_sheet(folder)["figures"]})
    return 0


def keep_run(run: Path, folder: Path, test: GuardedTest) -> EvaluatedRun:
    """Put a finished run into a measurement, and evaluate it.

    Its files are those of the recorder's run under another name (a hard link), or copies if the
    disk has no such links.

    Raises:
        RunError: it cannot be read.
        OSError: the folder cannot be written.
    """
    place = folder / RUNS / run.name
    if not place.exists():
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copytree(run, place, copy_function=_link)
    return evaluate_run(test, load_run(place))


def _link(source: str, target: str) -> str:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
    return target


def read_measurement(folder: Path, tests: Sequence[GuardedTest]) -> dict[str, EvaluatedRun]:
    """Return the figures of the finished runs of a measurement, by the test's key.

    Raises:
        RunError: a run cannot be read.
    """
    runs = finished_runs(folder)
    return {t.key: evaluate_run(t, runs[t.key]) for t in tests if t.key in runs}


def write_data_sheet(
    folder: Path, results: Iterable[EvaluatedRun], tests: Sequence[GuardedTest]
) -> Path:
    """Write the data sheet of what has been measured so far; return its HTML file.

    Raises:
        OSError: it cannot be written.
    """
    return write_sheet(sheet_of(list(results), tests), folder)[0]
