"""Recorded runs: open, repair. Nothing here deletes anything.

::

    run = open_run(12)                # or load_run("runs/0012-float")
    run.column("spring_force_N")      # numpy
    run.frame("pandas")               # or "polars", or run.table for any Arrow reader

The files need no code of ours: ``samples.parquet`` (or ``samples.arrows``, an Arrow IPC stream,
for a run that was not closed), ``events.jsonl``, ``run.yaml``.
"""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from drivers.motion import Motion
from drivers.suggest import did_you_mean
from hil.link import GapCounter
from hil.recorder.append_file import is_being_written
from hil.recorder.errors import RunError
from hil.recorder.folders import EVENTS, SAMPLES, SAMPLES_OPEN, number_and_name
from hil.recorder.labels import RunLabels, read_labels
from hil.recorder.meta import later_iso, new_meta, now_iso, read_meta, write_meta
from hil.recorder.rotary_columns import FACTORS, STORED, described_motion
from hil.recorder.table import stream_batches, stream_schema, write_parquet
from hil.recorder.writer import read_events

__all__ = ["Run", "RunError", "load_run", "repair_run"]


@dataclass(frozen=True, eq=False)
class Run:
    """A run on disk.

    Attributes:
        path: its folder.
        meta: contents of ``run.yaml``; empty if that is missing.
        labels: given after recording.
    """

    path: Path
    meta: dict[str, Any]
    labels: RunLabels = field(default_factory=RunLabels)
    _columns: dict[str, NDArray[Any]] = field(default_factory=dict, repr=False)

    @property
    def number(self) -> int:
        found = number_and_name(self.path)
        return found[0] if found else 0

    @property
    def name(self) -> str:
        found = number_and_name(self.path)
        given = self.labels.name or self.meta.get("name")
        return str(given or (found[1] if found else self.path.name))

    @property
    def note(self) -> str:
        """Note written afterwards, else the recorded one."""
        return str(self.meta.get("note") or "") if self.labels.note is None else self.labels.note

    @property
    def complete(self) -> bool:
        """True if it was closed or repaired; otherwise the table ends where it was cut off."""
        return self.meta.get("status") in ("complete", "repaired")

    @cached_property
    def table(self) -> pa.Table:
        """All samples as an Arrow table; fields carry ``unit`` and ``description``.

        Raises:
            RunError: the samples cannot be read.
        """
        file = self.path / SAMPLES
        try:
            if file.exists():
                return pq.read_table(file)
            file = self.path / SAMPLES_OPEN
            return pa.Table.from_batches(list(stream_batches(file)), stream_schema(file))
        except (OSError, pa.ArrowException) as error:
            raise RunError(
                f"'{file}' cannot be read: {error}"
                + ("; 'hookeline runs repair' may help" if not self.complete else "")
            ) from None

    @cached_property
    def events(self) -> list[dict[str, Any]]:
        """Events in order, each a dict with ``kind``, ``time_s``, ``wall`` and more.

        Raises:
            RunError: the file cannot be read.
        """
        file = self.path / EVENTS
        try:
            return read_events(file)
        except FileNotFoundError:
            return []
        except OSError as error:
            raise RunError(f"'{file}' cannot be read: {error.strerror}") from None

    @cached_property
    def schema(self) -> Any:
        """Arrow schema of the samples; fields carry ``unit`` and ``description``.

        Raises:
            RunError: the samples cannot be read.
        """
        file = self.path / SAMPLES
        if "table" in self.__dict__ or not file.exists():
            return self.table.schema
        try:
            return pq.read_schema(file)
        except (OSError, pa.ArrowException) as error:
            raise RunError(f"'{file}' cannot be read: {error}") from None

    def column(self, name: str) -> NDArray[Any]:
        """Return a column, shape (samples,), in its own type; float with NaN if values are missing.

        Only this column is read from disk. Of a rotary actuator's run a name of
        ``hil.core.COLUMNS`` gives the values along the arc, see ``drivers.motion``.

        Raises:
            RunError: no such column, or it cannot be read.
        """
        if name not in self._columns:
            stored = STORED.get(name, name)
            if name not in self.schema.names and stored in self.schema.names:
                self._columns[name] = self._read(stored) / FACTORS[name]
            else:
                self._columns[name] = self._read(name)
        return self._columns[name]

    @property
    def names(self) -> set[str]:
        """Names that ``column`` takes: those on disk, and those inside that stand for them."""
        there = set(self.schema.names)
        return there | {name for name, stored in STORED.items() if stored in there}

    @property
    def motion(self) -> Motion:
        """Kind of motion of the rig that was recorded."""
        return described_motion(self.meta)

    def _read(self, name: str) -> NDArray[Any]:
        if name not in self.schema.names:
            hint = did_you_mean(name, self.schema.names, "; ")
            raise RunError(f"run '{self.path.name}' has no column '{name}'{hint}")
        file = self.path / SAMPLES
        if "table" in self.__dict__ or not file.exists():
            column = self.table.column(name)
        else:
            try:
                column = pq.read_table(file, columns=[name], use_threads=False).column(name)
            except (OSError, pa.ArrowException) as error:
                raise RunError(f"'{file}' cannot be read: {error}") from None
        if column.null_count:
            column = column.cast(pa.float64()).fill_null(float("nan"))
        return np.asarray(column.to_numpy())

    def frame(self, library: str = "pandas", columns: Sequence[str] | None = None) -> Any:
        """Return samples as a data frame of ``pandas`` or ``polars``; neither is needed elsewhere.

        Raises:
            RunError: no such library, it is not installed, or a column does not exist.
        """
        for name in columns or ():
            self.column(name)
        table = self.table.select(list(columns)) if columns else self.table
        if library not in ("pandas", "polars"):
            raise RunError(f"'{library}' is not a library of data frames: use pandas or polars")
        try:
            module = importlib.import_module(library)
        except ImportError:
            raise RunError(
                f"{library} is not installed; Fix: pip install {library}, or use Run.column"
            ) from None
        return table.to_pandas() if library == "pandas" else module.from_arrow(table)

    def unit(self, name: str) -> str:
        """Return the unit of a column, "1" for a dimensionless one.

        Raises:
            RunError: no such column.
        """
        self.column(name)
        metadata = self.schema.field(name).metadata or {}
        return str(metadata.get(b"unit", b"1").decode())


class Recorded(Protocol):
    """A run on disk or in memory: a column by its name, and the events in order."""

    @property
    def events(self) -> list[dict[str, Any]]: ...

    def column(self, name: str) -> Any: ...


def load_run(path: Path | str) -> Run:
    """Open a run folder, closed or not. Samples and events are read when first used.

    Raises:
        RunError: it is not a run folder.
    """
    path = Path(path)
    if not path.is_dir():
        raise RunError(f"'{path}' is not a run folder; 'hookeline runs' lists the runs")
    if not any((path / name).exists() for name in (SAMPLES, SAMPLES_OPEN)):
        raise RunError(
            f"'{path}' holds neither {SAMPLES} nor {SAMPLES_OPEN}; it is not a run folder"
        )
    try:
        meta = read_meta(path)
    except RunError:
        if (path / "run.yaml").exists():
            raise
        meta = {}
    try:
        labels = read_labels(path)
    except RunError:  # the list of runs reports it; the samples are unaffected
        labels = RunLabels()
    return Run(path, meta, labels)


def repair_run(path: Path | str) -> str:
    """Finish an interrupted run; return a sentence on the result.

    Everything readable becomes ``samples.parquet``, and ``run.yaml`` records the repair.

    ``samples.arrows`` is kept.

    Raises:
        RunError: it is being recorded, is not a run folder, or the disk refuses.
    """
    run = load_run(path)
    source, target = run.path / SAMPLES_OPEN, run.path / SAMPLES
    if source.exists() and is_being_written(source):
        raise RunError(f"run '{run.path.name}' is being recorded; end it first")
    if run.complete and target.exists():
        return f"run '{run.path.name}' is {run.meta['status']}; nothing to do"
    try:
        if source.exists():
            write_parquet(source, target)
        run = Run(run.path, run.meta, run.labels)
        meta = run.meta or new_meta(run.name, "", now_iso(), {}, None)
        samples, lost, span_s = _count(run)
        meta.update(
            status="repaired",
            ended=meta.get("ended") or later_iso(str(meta.get("started")), span_s),
            how_it_ended=f"interrupted while recording; repaired on {now_iso()}, "
            "readable up to its last complete block",
            samples=samples,
            lost_samples=lost,
            duration_s=span_s,
        )
        if not run.meta:
            meta["started"] = meta["ended"] = None
        write_meta(run.path, meta)
    except OSError as error:
        raise RunError(
            f"run '{run.path.name}' cannot be repaired: {error.strerror or error}; "
            "free disk space or check the permissions of its folder"
        ) from None
    return f"run '{run.path.name}': {samples} samples, {span_s:.1f} s, repaired"


def _count(run: Run) -> tuple[int, int, float]:
    """Return samples, lost samples and seconds."""
    gaps = GapCounter()
    names = run.table.column_names
    if "cycle" in names and run.table.num_rows:
        gaps.take(run.column("cycle").astype(np.float64))
    span_s = 0.0
    if "time_s" in names and run.table.num_rows:
        time_s = run.column("time_s")
        span_s = round(float(time_s[-1] - time_s[0]), 6)
    return run.table.num_rows, gaps.lost, span_s
