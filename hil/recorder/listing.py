"""The list of runs: a line for each, kept in an index that is checked against the folders.

``.index.json`` next to the runs avoids reading every ``run.yaml`` again. An entry is valid only
while the folder, its ``run.yaml`` and its ``labels.yaml`` have the times and sizes that it was made
from. The index may be removed at any time, or be wrong, and the list is still right.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import zlib
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from operator import attrgetter
from pathlib import Path
from typing import Any

from hil.core import PlainYamlError, parse_plain_yaml, read_plain_bytes
from hil.core.collector_hold import collector_held
from hil.recorder.append_file import is_being_written
from hil.recorder.errors import RunError
from hil.recorder.folders import INDEX_FILE, LABELS, META, SAMPLES, SAMPLES_OPEN, number_and_name
from hil.recorder.labels import read_labels
from hil.recorder.runs import Run, load_run

FORM = 2  # of the index; another format is rebuilt
# A file changed twice within one tick of the file system's clock (4 ms on common kernels, 2 s on
# FAT) looks the same: an entry is trusted only if it was made from files older than this.
SETTLED_NS = 3_000_000_000
LINES_AT_ONCE = 256
SIMULATED_START = "2000-01-01T00:00:00.000"  # of runs in lockstep, which have no date of their own


@dataclass(frozen=True)
class RunSummary:
    """A line of a list of runs.

    Attributes:
        status: ``recording``, ``interrupted`` (to be repaired), ``complete``, ``repaired`` or
            ``damaged`` (see ``problem``).
        started: ISO 8601, empty if unknown.
        samples, lost_samples, duration_s: None if unknown without reading the samples.
        trip: cause of the trip for which the run was kept, else empty.
        tags, pinned: values of its labels.
    """

    path: Path
    number: int
    name: str
    status: str
    started: str = ""
    duration_s: float | None = None
    samples: int | None = None
    lost_samples: int | None = None
    how_it_ended: str = ""
    note: str = ""
    trip: str = ""
    problem: str = ""
    tags: tuple[str, ...] = ()
    pinned: bool = False

    def begun(self, length: int) -> str:
        """Return date and time of the start in so many characters, or that it is simulated."""
        if self.started.startswith(SIMULATED_START):
            return "simulated time"
        return self.started[:length].replace("T", " ")


_FIELDS = tuple(field.name for field in fields(RunSummary))[1:]  # of an entry: all but the path


def list_runs(directory: Path | str) -> list[RunSummary]:
    """Return the runs in a directory by number; a damaged one is listed with its problem.

    Raises:
        RunError: the directory cannot be read.
    """
    # Ten thousand lines are not garbage; scanning them repeatedly took half the time.
    with collector_held():
        return _list(Path(directory))


def _list(directory: Path) -> list[RunSummary]:
    try:
        with os.scandir(directory) as entries:
            folders = [
                (entry.name, entry.stat().st_mtime_ns)
                for entry in entries
                if entry.is_dir() and number_and_name(entry)
            ]
    except OSError as error:
        raise RunError(
            f"directory of runs '{directory}' cannot be read: {error.strerror}"
        ) from None
    known = _read_index(directory)
    kept: dict[str, Any] = {}
    runs = []
    for name, changed_ns in folders:
        folder = f"{directory}/{name}"
        entry = known.get(name)
        stamp = _stamp(folder, changed_ns, entry is None or bool(entry[0][3]))
        if entry is not None and entry[0] == stamp:
            kept[name] = entry
            runs.append(_from_entry(directory, name, entry[1]))
            continue
        settled_ns = time.time_ns() - SETTLED_NS
        run = _summary(directory / name)
        runs.append(run)
        # A run that is being recorded, interrupted or damaged is read each time.
        if run.status in ("complete", "repaired") and not run.problem and max(stamp) < settled_ns:
            kept[name] = [stamp, list(astuple(run)[1:])]
    if kept != known:
        _write_index(directory, kept)
    return sorted(runs, key=attrgetter("number", "name"))


def _stamp(folder: str, changed_ns: int, labelled: bool) -> list[int]:
    """Return times of change and sizes of the files behind a line; 0 for a missing one.

    New labels change the folder's own time, so their file is checked only if there was one.
    """
    stamp = [changed_ns, 0, 0, 0, 0]
    try:
        found = os.stat(f"{folder}/{META}")
        stamp[1:3] = found.st_mtime_ns, found.st_size
        if labelled:
            found = os.stat(f"{folder}/{LABELS}")
            stamp[3:5] = found.st_mtime_ns, found.st_size
    except OSError:
        pass
    return stamp


def _read_index(directory: Path) -> dict[str, Any]:
    """Return entries by folder name; empty if the index is missing, damaged or outdated."""
    try:
        check, data = (directory / INDEX_FILE).read_bytes().split(b"\n", 1)
        if check != _check(data):
            return {}
        lines = data.splitlines()
        entries: list[Any] = []
        # In parts of 0.4 ms: other threads, such as one that draws, need not wait for all.
        for first in range(0, len(lines), LINES_AT_ONCE):
            part = b",".join(lines[first : first + LINES_AT_ONCE])
            entries += json.loads(b"[" + part + b"]")
        return {name: [stamp, fields] for name, stamp, fields in entries}
    except (OSError, ValueError):
        return {}


def _check(data: bytes) -> bytes:
    return f"{FORM} {zlib.crc32(data):08x}".encode()


def _from_entry(directory: Path, name: str, entry: list[Any]) -> RunSummary:
    """Return a line from its entry without the constructor, which needs 0.3 us per field."""
    run = object.__new__(RunSummary)
    values = run.__dict__
    values["path"] = directory / name
    values.update(zip(_FIELDS, entry, strict=True))
    values["tags"] = tuple(values["tags"])
    return run


def _write_index(directory: Path, runs: dict[str, Any]) -> None:
    """Write the index atomically; if that is not possible, the next list takes longer."""
    part = directory / f"{INDEX_FILE}.{os.getpid()}.{time.monotonic_ns()}"
    try:
        lines = (json.dumps([name, *entry]) for name, entry in runs.items())
        data = "\n".join(lines).encode()
        part.write_bytes(_check(data) + b"\n" + data)
        part.replace(directory / INDEX_FILE)
    except (OSError, ValueError):
        with contextlib.suppress(OSError):
            part.unlink()


def _summary(folder: Path) -> RunSummary:
    found = number_and_name(folder)
    assert found is not None
    number, name = found
    try:
        run = _head(folder) or load_run(folder)
    except RunError as error:
        return RunSummary(folder, number, name, "damaged", problem=str(error))
    meta = run.meta
    status = str(meta.get("status", ""))
    if not run.complete:
        status = "recording" if is_being_written(folder / SAMPLES_OPEN) else "interrupted"
    trip = meta.get("trip")
    problem = ""
    try:
        read_labels(folder)
    except RunError as error:
        problem = str(error)
    return RunSummary(
        folder,
        number,
        run.name,
        status,
        started=str(meta.get("started") or ""),
        duration_s=_number_or_none(meta.get("duration_s")),
        samples=_number_or_none(meta.get("samples")),
        lost_samples=_number_or_none(meta.get("lost_samples")),
        how_it_ended=str(meta.get("how_it_ended") or "") if run.complete else "",
        note=run.note,
        trip=str(trip.get("cause") or "trip") if isinstance(trip, dict) else "",
        problem=problem,
        tags=run.labels.tags,
        pinned=run.labels.pinned,
    )


def _head(folder: Path) -> Run | None:
    """Return a closed run with the first keys of ``run.yaml``; None unless written by the recorder.

    The profile and columns after them take forty times as long to read as the rest.
    """
    try:
        head, end, _ = read_plain_bytes(folder / META).partition(b"\nsimulated: ")
        if not end or not head.startswith(b"schema_version: ") or not (folder / SAMPLES).exists():
            return None
        meta = parse_plain_yaml(head)
        run = Run(folder, meta, read_labels(folder))
    except (OSError, PlainYamlError, RunError):
        return None
    return run if run.complete else None


def _number_or_none(value: Any) -> Any:
    """Return a number unchanged; None for anything else that a file edited by hand may hold."""
    return value if isinstance(value, int | float) else None


def search_runs(runs: Iterable[RunSummary], words: str) -> list[RunSummary]:
    """Return the runs that hold every word in number, name, note, tags, start, trip or status.

    Case does not matter. A word that begins with ``#`` is a whole tag.
    """
    wanted = words.casefold().split()
    return [run for run in runs if _holds(run, wanted)]


def _holds(run: RunSummary, wanted: list[str]) -> bool:
    if not wanted:
        return True
    tags = [f"#{tag.casefold()}" for tag in run.tags]
    parts = (run.path.name, run.name, run.note, run.started, run.trip, run.status, run.problem)
    text = "\n".join((*parts, *run.tags)).casefold()
    return all(word in tags if word[0] == "#" else word in text for word in wanted)


def find_run(directory: Path | str, which: str) -> Path:
    """Return the folder of a run by its number (``12``), folder name, name (the latest) or path.

    Raises:
        RunError: no such run; the text lists the latest ones.
    """
    directory = Path(directory)
    if (directory / which).is_dir():
        return directory / which
    if Path(which).is_dir():
        return Path(which)
    runs = list_runs(directory)
    for run in reversed(runs):
        if which in (run.name, run.path.name) or (which.isdigit() and int(which) == run.number):
            return run.path
    there = ", ".join(run.path.name for run in runs[-5:]) or "none"
    raise RunError(f"no run '{which}' in '{directory}' (the latest there: {there})")


def open_run(which: str | int, directory: Path | str = "runs") -> Run:
    """Open a run by its number, name or path, as in ``open_run(12)``.

    Raises:
        RunError: no such run, or it cannot be read.
    """
    return load_run(find_run(directory, str(which)))
