"""One run being written. The recorder's process and lockstep runs use the same writer."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hil.core import COLUMNS, INDEX
from hil.link import GapCounter, to_json
from hil.recorder.append_file import AppendFile, Disk
from hil.recorder.errors import RunError
from hil.recorder.folders import EVENTS, META, SAMPLES, SAMPLES_OPEN, new_run_folder
from hil.recorder.meta import later_iso, new_meta, note_calibration, note_cap, now_iso, write_meta
from hil.recorder.rotary_columns import described_motion
from hil.recorder.table import StreamEncoder, write_parquet

WRITE_S = 0.2  # between writes to the file
SYNC_S = 0.4  # between waits for the medium


class RunWriter:
    """Context manager that writes a run folder.

    It holds ``run.yaml``, ``events.jsonl`` and ``samples.arrows``, which becomes
    ``samples.parquet`` on close.

    Equal rows and events give equal ``samples.parquet`` and ``events.jsonl``; with ``started``
    given, an equal ``run.yaml`` as well (on one machine).

    Args:
        runs: directory of the runs.
        name: name of this run; the folder is ``NNNN-name``.
        description: description of the bench, as the link's hello gives it.
        note: note of the operator.
        started: ISO 8601; None for now.
        trip: cause, detail and time, for a run kept because of a trip.
        patient: disk errors do not raise from ``rows`` and ``event``; call ``flush``.
        disk: replaced in tests.

    Attributes:
        path: the folder; None while a patient writer could not create one.
        samples: rows taken.
        lost_samples: rows missing among them, by cycle number.

    Raises:
        RunError: the folder cannot be created, unless ``patient``.
    """

    def __init__(
        self,
        runs: Path | str,
        name: str,
        description: Mapping[str, Any],
        *,
        note: str = "",
        started: str | None = None,
        trip: Mapping[str, Any] | None = None,
        patient: bool = False,
        disk: Disk | None = None,
    ) -> None:
        self.path: Path | None = None
        self.samples = 0
        self._runs = Path(runs)
        self._name = name
        self._given_start = started is not None
        self._meta = new_meta(name, note, started or now_iso(), description, trip)
        self._gaps = GapCounter()
        self._encoder = StreamEncoder(described_motion(description))
        self._disk = disk or Disk()
        self._patient = patient
        self._rows: list[NDArray[np.float64]] = []
        self._first_s = self._last_s = float("nan")
        self._samples_file: AppendFile | None = None
        self._events_file: AppendFile | None = None
        self._early = bytearray(self._encoder.head())
        self._early_events = bytearray()
        self._next_write = self._next_sync = 0.0
        self._sealed = False
        self._closed = False
        if not patient:
            self._flush_or_raise()

    def __enter__(self) -> RunWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: object) -> None:
        self.close("ended as requested" if kind is None else f"ended by an error: {error}")

    @property
    def lost_samples(self) -> int:
        return self._gaps.lost

    @property
    def waiting_bytes(self) -> int:
        """Bytes that the disk has not taken yet."""
        files = (self._samples_file, self._events_file)
        rows = sum(block.nbytes for block in self._rows)
        return rows + len(self._early) + sum(file.waiting_bytes for file in files if file)

    # ------------------------------------------------------------------ while it runs

    def rows(self, rows: ArrayLike) -> None:
        """Add samples, shape (n, number of columns), oldest first.

        Raises:
            RunError: of another shape, after close, or the disk refuses (not if ``patient``).
        """
        block = np.array(rows, np.float64)  # copied: callers reuse their buffer
        if block.ndim != 2 or block.shape[1] != len(COLUMNS):
            raise RunError(f"rows have shape {block.shape}; (n, {len(COLUMNS)}) is needed")
        self._still_open()
        if not len(block):
            return
        self._gaps.take(block[:, INDEX["cycle"]])
        times_s = block[:, INDEX["time_s"]]
        if not self.samples:
            self._first_s = float(times_s[0])
        self._last_s = float(times_s[-1])
        self.samples += len(block)
        self._rows.append(block)
        self._write_if_due()

    def event(self, event: Mapping[str, Any]) -> None:
        """Add an event, a mapping with ``kind`` and ``time_s``; raises as ``rows``."""
        self._still_open()
        if event.get("kind") == "calibration":
            note_calibration(self._meta, event)
        elif event.get("kind") == "session_cap":
            note_cap(self._meta, event)
        line = to_json(dict(event)) + b"\n"
        if self._events_file is None:
            self._early_events += line
        else:
            self._events_file.append(line)
        self._write_if_due()

    def flush(self, sync: bool = False) -> None:
        """Write everything to the disk; with ``sync``, wait until it is on the medium.

        Raises:
            OSError: the disk refused; nothing is lost, call again later.
        """
        self._encode()
        if self.path is None:
            self.path = new_run_folder(self._runs, self._name)
        self.path.mkdir(parents=True, exist_ok=True)  # it may have been removed
        if not (self.path / META).exists():
            write_meta(self.path, self._meta)
        if self._samples_file is None or self._events_file is None:
            self._samples_file = AppendFile(self.path / SAMPLES_OPEN, self._disk)
            self._events_file = AppendFile(self.path / EVENTS, self._disk)
            self._samples_file.append(bytes(self._early))
            self._events_file.append(bytes(self._early_events))
            self._early.clear()
            self._early_events.clear()
        self._samples_file.flush(sync)
        self._events_file.flush(sync)

    # ------------------------------------------------------------------ at its end

    def close(self, how_it_ended: str = "ended as requested") -> Path:
        """Write all data and the Parquet file. May be called twice.

        Raises:
            RunError: the disk refuses; the written part can be repaired later.
        """
        if not self._closed:
            try:
                self.seal(how_it_ended)
                self.finish()
            except OSError as error:
                raise self._explained(error) from None
        assert self.path is not None
        return self.path

    def seal(self, how_it_ended: str) -> None:
        """Accept no more data; write the stream and how it ended. The first half of ``close``.

        Raises:
            OSError: the disk refused; nothing is lost, call again.
        """
        if not self._sealed:
            self._encode()
            self._append(self._encoder.end())
            self._sealed = True
            span_s = self._last_s - self._first_s if self.samples else 0.0
            self._meta.update(
                ended=later_iso(self._meta["started"], span_s) if self._given_start else now_iso(),
                how_it_ended=how_it_ended,
                samples=self.samples,
                lost_samples=self.lost_samples,
                duration_s=round(span_s, 6),
            )
        self.flush(sync=True)
        assert self.path is not None
        write_meta(self.path, self._meta)

    def finish(self) -> None:
        """Write the Parquet file. The second half of ``close``; slow for long runs.

        Raises:
            OSError: the disk refused; ``samples.arrows`` stays.
        """
        assert self.path is not None and self._sealed
        if self._closed:
            return
        source = self.path / SAMPLES_OPEN
        written = write_parquet(source, self.path / SAMPLES)
        if written != self.samples:
            raise OSError(0, f"holds {written} of {self.samples} samples", str(source))
        self._meta["status"] = "complete"
        write_meta(self.path, self._meta)
        source.unlink()
        self.abandon()

    def abandon(self) -> None:
        """Close the files as they are."""
        self._closed = True
        for file in (self._samples_file, self._events_file):
            if file is not None:
                file.close()

    # ------------------------------------------------------------------ inside

    def _append(self, data: bytes) -> None:
        if self._samples_file is None:
            self._early += data
        else:
            self._samples_file.append(data)

    def _encode(self) -> None:
        if self._rows:
            rows = np.concatenate(self._rows)
            self._rows.clear()
            self._append(self._encoder.encode(rows))

    def _write_if_due(self) -> None:
        if not self._patient and time.monotonic() >= self._next_write:
            self._flush_or_raise()

    def _flush_or_raise(self) -> None:
        try:
            self.flush_if_due()
        except OSError as error:
            raise self._explained(error) from None

    def flush_if_due(self) -> None:
        """Call ``flush`` at the write interval of runs; raises as it does."""
        now = time.monotonic()
        if now >= self._next_write:
            self._next_write = now + WRITE_S
            sync = now >= self._next_sync
            if sync:
                self._next_sync = now + SYNC_S
            self.flush(sync)

    def _still_open(self) -> None:
        if self._sealed or self._closed:
            raise RunError(f"run '{self._name}' is closed already; start another")

    def _explained(self, error: OSError) -> RunError:
        return RunError(
            f"run '{self._name}' cannot be written to '{self.path or self._runs}': "
            f"{error.strerror or error}; free disk space or choose another directory"
        )


def read_events(path: Path) -> list[dict[str, Any]]:
    """Return the events of ``events.jsonl``; an incomplete line is left out."""
    events = []
    for line in path.read_bytes().split(b"\n"):
        try:
            event = json.loads(line)
        except ValueError:
            continue
        if isinstance(event, dict):
            events.append(event)
    return events
