"""The recorder's writing thread: everything that may wait for a disk runs here."""

from __future__ import annotations

import contextlib
import os
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.base import PowerStage
from hil.core import INDEX, Cause, merged_logs
from hil.recorder.append_file import Disk
from hil.recorder.errors import RunError
from hil.recorder.folders import PROCESS_LOG, run_name
from hil.recorder.kept_seconds import KeptSeconds
from hil.recorder.meta import later_iso, now_iso
from hil.recorder.runs import repair_run
from hil.recorder.trips import AFTER_S, Recent
from hil.recorder.writer import WRITE_S, RunWriter

_TIME = INDEX["time_s"]
_POWER = INDEX["power_stage"]
# An hour at 1 kHz is 1 GB; a minute must fit even if the disk stalls.
MOST_WAITING_BYTES = 512 * 1024 * 1024
_IDLE_S = 0.1
_GIVE_UP_S = 2.0  # for ending runs on a disk that refuses, once the end is requested


@dataclass(frozen=True)
class OperatorNotice:
    """Notice for the operator: arguments of ``Client.tell``."""

    kind: str
    text: str = ""
    run: str = ""
    values: Mapping[str, float] | None = None


class WriterThread(threading.Thread):
    """Thread that takes rows and events from an unbounded queue and writes their runs.

    Args:
        runs: directory of the runs.
        say: called from this thread with each notice for the operator.
        disk: replaced in tests and benchmarks.
        logs: link directory: its process logs are kept with each run, and the latest samples are
            kept in it for the recorder that follows this one.

    Attributes:
        busy_since_s: ``time.monotonic()`` at the start of a pending disk call, or None.
        dropped: samples dropped because memory was full.
        unfinished: runs that could not be ended, known once the thread has ended.
    """

    def __init__(
        self,
        runs: Path,
        say: Callable[[OperatorNotice], None],
        disk: Disk | None = None,
        logs: Path | None = None,
    ) -> None:
        super().__init__(name="writing", daemon=True)
        self._runs = runs
        self._say = say
        self._disk = disk or Disk()
        self._queue: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._description: Mapping[str, Any] = {}
        self._kept = KeptSeconds(logs) if logs is not None else None
        self._recent = Recent(self._kept)
        self._run: RunWriter | None = None
        self._trip: RunWriter | None = None
        self._trip_end_s = 0.0
        self._next_write_s = 0.0  # 0 for at once: a run that begins is on disk before anything else
        self._closing: deque[tuple[RunWriter, str, str]] = deque()  # how it ended, kind of notice
        self._announced: RunWriter | None = None
        self._refused = False
        self._counting = threading.Lock()
        self._queued_bytes = 0
        self.dropped = 0
        self._dropped_reported = 0  # of them, before the disk was full this time
        self._finisher = Finisher(say, logs)
        self.busy_since_s: float | None = None
        self.unfinished = 0

    # ------------------------------------------------------------------ from the receiver

    def describe(self, description: Mapping[str, Any]) -> None:
        """Take the description of a newly connected rig host for the next runs."""
        self._queue.put(lambda: self._described(description))

    def rows(self, rows: NDArray[np.float64]) -> None:
        """Hand over samples, shape (n, number of columns); dropped while memory is full.

        Dropped samples appear in the run as lost samples: cycle numbers are missing.
        """
        if self.waiting_bytes + rows.nbytes > MOST_WAITING_BYTES:
            if self.dropped == self._dropped_reported:
                self._tell_dropped()
            self.dropped += len(rows)
            return
        with self._counting:
            self._queued_bytes += rows.nbytes
        self._queue.put(lambda: self._take_queued(rows))

    def _tell_dropped(self) -> None:
        self._say(
            OperatorNotice(
                "notice",
                f"the recorder's memory is full ({MOST_WAITING_BYTES // 2**20} MB wait for the "
                "disk): samples are being lost; free disk space or end the run",
            )
        )

    @property
    def waiting_bytes(self) -> int:
        """Bytes of samples that the disk has not taken yet."""
        writers = (self._run, self._trip, *(closing[0] for closing in self._closing))
        return self._queued_bytes + sum(w.waiting_bytes for w in writers if w is not None)

    def event(self, event: dict[str, Any]) -> None:
        self._queue.put(lambda: self._take_event(event))

    def repair(self, path: Path) -> None:
        """Finish a run that another recorder left open."""
        self._finisher.repair(path)

    def restore(self, rows: NDArray[np.float64], events: Iterable[dict[str, Any]]) -> None:
        """Take the latest rows and events of a recorder that died, before any others."""
        self._queue.put(lambda: self._recent.restore(rows, events))

    def host_gone(self, how_it_ended: str, died: bool = False) -> None:
        """Close open runs; later items come from another rig host.

        If the rig host ``died`` while the power stage was on, its last seconds are kept as a trip.
        """
        if died:
            self._queue.put(lambda: self._keep_last_seconds(how_it_ended))
        self._queue.put(lambda: self._end_all(how_it_ended))

    def end(self, how_it_ended: str) -> None:
        """Close open runs and end the thread; ``join`` waits for it."""
        self._queue.put(lambda: self._end_all(how_it_ended))
        self._queue.put(None)

    # ------------------------------------------------------------------ the thread

    def run(self) -> None:
        self._finisher.start()
        while True:
            try:
                task = self._queue.get(timeout=_IDLE_S)
            except queue.Empty:
                pass
            else:
                if task is None:
                    break
                try:
                    task()
                except Exception as error:
                    self._say(OperatorNotice("notice", f"the recorder skipped something: {error}"))
            now_s = time.monotonic()
            if now_s >= self._next_write_s:
                self._next_write_s = now_s + WRITE_S
                self._write()
        give_up_s = time.monotonic() + _GIVE_UP_S
        while self._closing and time.monotonic() < give_up_s:
            self._write()
            if self._closing:
                time.sleep(0.1)
        self.unfinished = len(self._closing)
        for writer, _, _ in self._closing:
            writer.abandon()
        self._finisher.end()
        self.unfinished += self._finisher.failed
        if self._kept is not None:
            self._kept.close()

    def _write(self) -> None:
        try:
            self.busy_since_s = time.monotonic()
            for writer in (self._run, self._trip):
                if writer is not None:
                    writer.flush_if_due()
                    if writer is self._run:
                        self._announce(writer)
            while self._closing:
                writer, how, kind = self._closing[0]
                writer.seal(how)
                self._closing.popleft()
                if kind == "recorded":
                    self._announce(writer)
                self._finisher.finish(writer, kind)
        except OSError as error:
            if not self._refused:
                self._refused = True
                place = error.filename or self._runs
                self._say(
                    OperatorNotice(
                        "notice",
                        f"the disk does not take the recording ({error.strerror or error}: '{place}'); "
                        "samples are kept in memory: free disk space or end the run",
                    )
                )
        else:
            if self._refused:
                self._refused = False
                lost, self._dropped_reported = self.dropped - self._dropped_reported, self.dropped
                what = f"{lost} samples were lost" if lost else "nothing was lost"
                self._say(OperatorNotice("notice", f"the disk takes the recording again; {what}"))
        finally:
            self.busy_since_s = None

    def _announce(self, writer: RunWriter) -> None:
        if writer.path is not None and self._announced is not writer:
            self._announced = writer
            self._say(OperatorNotice("recording", run=writer.path.name))

    # ------------------------------------------------------------------ received items

    def _described(self, description: Mapping[str, Any]) -> None:
        self._description = description
        self._recent.begin(description)

    def _take_queued(self, rows: NDArray[np.float64]) -> None:
        with self._counting:
            self._queued_bytes -= rows.nbytes
        self._take_rows(rows)

    def _keep_last_seconds(self, how_it_ended: str) -> None:
        last = self._recent.latest()
        if last is None or self._trip is not None or last[_POWER] != PowerStage.ON:
            return
        self._begin_trip(
            {
                "kind": "stop",
                "cause": "Rig host died",
                "code": int(Cause.EXCEPTION),
                "detail": f"{how_it_ended}; these are the last samples that it sent",
                "time_s": float(last[_TIME]),
                "wall": now_iso(),
                "trip": True,
            }
        )

    def _take_rows(self, rows: NDArray[np.float64]) -> None:
        self._recent.take_rows(rows)
        if self._run is not None:
            self._run.rows(rows)
        if self._trip is not None:
            times = rows[:, _TIME]
            self._trip.rows(rows[times <= self._trip_end_s])
            if times[-1] >= self._trip_end_s:
                self._end_trip("two seconds after the trip")

    def _take_event(self, event: dict[str, Any]) -> None:
        kind = event.get("kind")
        if kind == "heartbeat":
            return
        if kind == "start_run":
            self._end_run("another run was started")
            self._next_write_s = 0.0
            self._run = RunWriter(
                self._runs,
                self._named(str(event.get("name") or "run")),
                self._description,
                note=str(event.get("note") or ""),
                started=event.get("wall"),
                patient=True,
                disk=self._disk,
            )
        self._recent.take_event(event)
        for writer in (self._run, self._trip):
            if writer is not None:
                writer.event(event)
        if kind == "end_run":
            self._end_run("ended as requested")
        elif kind == "stop" and event.get("trip"):
            self._begin_trip(event)
        elif kind == "verification":
            self._description = {**self._description, "verification": event.get("verification")}
        elif kind == "reference":
            self._description = {**self._description, "reference": event.get("how")}
        elif kind == "session_cap":
            self._description = {**self._description, "session_cap": event.get("cap")}
        elif kind == "calibration":
            # Later runs are recorded with it.
            profile = {
                **(self._description.get("profile") or {}),
                "calibration": event.get("calibration"),
            }
            self._description = {**self._description, "profile": profile}

    def _begin_trip(self, event: Mapping[str, Any]) -> None:
        time_s = float(event.get("time_s") or 0.0)
        self._trip_end_s = time_s + AFTER_S
        if self._trip is not None:
            return  # one run holds both
        rows, events = self._recent.before(time_s)
        wall = str(event.get("wall") or now_iso())
        first_s = float(rows[0][0, _TIME]) if rows else time_s
        self._next_write_s = 0.0
        self._trip = RunWriter(
            self._runs,
            self._named("trip"),
            self._description,
            note=str(event.get("detail") or ""),
            started=later_iso(wall, first_s - time_s),
            trip={key: event.get(key) for key in ("cause", "code", "detail", "time_s", "wall")},
            patient=True,
            disk=self._disk,
        )
        for block in rows:
            self._trip.rows(block[block[:, _TIME] <= self._trip_end_s])
        for earlier in events:
            self._trip.event(earlier)

    def _named(self, name: str) -> str:
        """Return the name of a run; the axis is part of it if there are several."""
        return run_name(name, str(self._description.get("axis") or ""))

    def _end_run(self, how: str) -> None:
        if self._run is not None:
            self._closing.append((self._run, how, "recorded"))
            self._run = None

    def _end_trip(self, how: str) -> None:
        if self._trip is not None:
            self._closing.append((self._trip, how, "kept"))
            self._trip = None

    def _end_all(self, how: str) -> None:
        if self._run is not None:
            self._say(OperatorNotice("notice", f"recording ended: {how}"))
        self._end_run(how)
        self._end_trip(how)


class Finisher(threading.Thread):
    """Thread that writes the Parquet files of ended runs, so that the next run need not wait."""

    def __init__(self, say: Callable[[OperatorNotice], None], logs: Path | None = None) -> None:
        super().__init__(name="finishing", daemon=True)
        self._logs = logs
        self._say = say
        self._queue: queue.SimpleQueue[tuple[RunWriter | Path, str] | None] = queue.SimpleQueue()
        self.failed = 0

    def finish(self, writer: RunWriter, kind: str) -> None:
        """Finish a sealed run, then report it as an event of this kind."""
        self._queue.put((writer, kind))

    def repair(self, path: Path) -> None:
        """Repair a run whose recorder died."""
        self._queue.put((path, "repaired"))

    def end(self) -> None:
        """Finish the queued runs, then end."""
        self._queue.put(None)
        self.join()

    def run(self) -> None:
        if hasattr(os, "setpriority"):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 10)
        while (work := self._queue.get()) is not None:
            writer, kind = work
            if isinstance(writer, Path):
                try:
                    text = repair_run(writer)
                except RunError as error:
                    text = str(error)
                self._say(OperatorNotice("notice", text))
                continue
            assert writer.path is not None
            name = writer.path.name
            self._keep_logs(writer.path)
            try:
                writer.finish()
            except (OSError, RunError) as error:
                self.failed += 1
                writer.abandon()
                reason = getattr(error, "strerror", None) or str(error)
                self._say(
                    OperatorNotice(
                        "notice",
                        f"run '{name}' is complete in samples.arrows, but samples.parquet could "
                        f"not be written ({reason}): free disk space, then 'hookeline runs repair'",
                        name,
                    )
                )
            else:
                self._say(
                    OperatorNotice(
                        kind,
                        f"run '{name}' is on disk",
                        name,
                        {"samples": writer.samples, "lost_samples": writer.lost_samples},
                    )
                )

    def _keep_logs(self, run: Path) -> None:
        """Copy the logs of the bench's processes into the run folder; skipped on a full disk."""
        if self._logs is not None:
            with contextlib.suppress(OSError):
                text = merged_logs(self._logs)
                if text:
                    (run / PROCESS_LOG).write_text(text, encoding="utf-8")
