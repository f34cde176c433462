"""The recorder: a client of the link that writes runs, in its own process.

The receiving thread never touches the disk; the writing thread may wait for it indefinitely.
Samples that arrive meanwhile are kept in memory, up to ``writer_thread.MOST_WAITING_BYTES``.
"""

from __future__ import annotations

import os
import queue
import signal
import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import FrameType
from typing import Any

from hil.core import INDEX, begin_log
from hil.link import Block, Client, HostGone, LinkError
from hil.recorder.append_file import Disk
from hil.recorder.folders import name_of_axis
from hil.recorder.kept_seconds import read_kept, read_kept_description
from hil.recorder.listing import RunSummary, list_runs
from hil.recorder.runs import load_run
from hil.recorder.writer_thread import OperatorNotice, WriterThread

SIGN_S = 0.2  # between heartbeats to the rig host, which waits 0.8 s
LOOK_S = 0.05  # between polls of the link
SILENT_S = 2.0  # after which the rig host is treated as dead
STALLED_S = 1.0  # without an answer from the disk before the operator is informed
LAST_LOOK_S = 0.15
END_S = 12.0
CONTINUED = "-continued"
BOTH_DIED = "the rig host and the recorder died together"
TRIP_TAKEN_OVER = (
    "the recorder died before this trip was on disk: samples from its death to the start of the "
    "next recorder are lost"
)


class Recorder:
    """Client that receives and passes on to the writing thread until requested to end.

    Args:
        link: link directory.
        runs: directory of the runs.
        disk: replaced in tests and benchmarks.
        wait_s: time to wait for the rig host, at the start.
        parent: the recorder ends once both it and the rig host have exited.

    Raises:
        LinkError: no rig host could be reached.
    """

    def __init__(
        self,
        link: Path,
        runs: Path,
        disk: Disk | None = None,
        wait_s: float = 5.0,
        parent: int | None = None,
    ) -> None:
        self._link = link
        self._runs = runs
        self._parent = parent
        self._said: queue.SimpleQueue[OperatorNotice] = queue.SimpleQueue()
        self._log = begin_log(link, "recorder")
        self._writer = WriterThread(runs, self._said.put, disk, link)
        self._stalled = False
        self._next_sign_s = 0.0
        self._host = b""
        self.ending = False
        self._client: Client | None = self._connect(wait_s)
        self._writer.describe(self._client.description)
        self._log.info("records into '%s'", runs)

    def run(self) -> int:
        """Record until ``ending`` is set or the link is lost; return 0 if every run is complete."""
        self._writer.start()
        received_s = time.monotonic()
        while not self.ending:
            if self._client is None:
                try:
                    self._client = self._connect(0.3)
                except HostGone:
                    if self._parent is not None and os.getppid() != self._parent:
                        break  # no process is left to start another one
                    continue
                except LinkError:
                    break  # its directory was removed: no rig host will return
                self._writer.describe(self._client.description)
                received_s = time.monotonic()
            time.sleep(LOOK_S)
            # More often than other clients: the rig host reports a silent recorder.
            if time.monotonic() >= self._next_sign_s:
                self._next_sign_s = time.monotonic() + SIGN_S
                self._client.heartbeat()
            if self._take():
                received_s = time.monotonic()
            elif time.monotonic() - received_s > SILENT_S:
                self._let_go(
                    f"the rig host fell silent and is treated as dead after {SILENT_S:g} s",
                    died=True,
                )
            self._tell()
        self._last_look()
        self._writer.end("the end of the recorder was requested")
        self._writer.join(END_S)
        self._tell()
        if self._client is not None:
            self._client.close()
        return 1 if self._writer.is_alive() or self._writer.unfinished else 0

    def take_over(self) -> None:
        """Record what the rig host says is being recorded; finish what a dead recorder left."""
        described = self._client.description if self._client else {}
        rows, events = read_kept(self._link)
        self._writer.restore(rows, events)
        tripped = described.get("tripped")
        axis = str(described.get("axis") or "")
        interrupted = runs_left_open(self._runs, axis)
        event = to_continue(described.get("recording"), interrupted, axis)
        if event is not None:
            self._writer.event(event)
        since_s = float(rows[0, INDEX["time_s"]]) if len(rows) else float("inf")
        if tripped and tripped["time_s"] >= since_s and not has_trip(self._runs, tripped["wall"]):
            self._writer.event(tripped | {"detail": f"{tripped['detail']}; {TRIP_TAKEN_OVER}"})
        for run in interrupted:
            self._writer.repair(run.path)
        self._said.put(
            OperatorNotice(
                "notice", "THE RECORDER DIED and was replaced: samples between the two are lost"
            )
        )

    def _connect(self, timeout_s: float) -> Client:
        self._host = b""
        return Client.connect(self._link, name="recorder", timeout_s=timeout_s, unlimited=True)

    def _take(self) -> bool:
        """Pass on received items; return whether the rig host sent any."""
        assert self._client is not None
        items = self._client.poll()
        for item in items:
            if isinstance(item, Block):
                self._host = self._host or item.host
                if item.host != self._host:
                    self._let_go("another rig host took over", died=True)
                    return True
                self._writer.rows(item.rows)
                continue
            self._writer.event(item)
            if item.kind == "host_ending":
                self._let_go("the rig host ended")
                return True
        return bool(items)

    def _let_go(self, how_it_ended: str, died: bool = False) -> None:
        self._writer.host_gone(how_it_ended, died)
        if self._client is not None:
            self._client.close()
            self._client = None

    def _last_look(self) -> None:
        """Receive items published before the end was requested: they belong to the run."""
        until_s = time.monotonic() + LAST_LOOK_S
        while self._client is not None and time.monotonic() < until_s:
            self._take()
            time.sleep(0.02)

    def _tell(self) -> None:
        busy_since_s = self._writer.busy_since_s
        stalled = busy_since_s is not None and time.monotonic() - busy_since_s > STALLED_S
        if stalled and not self._stalled:
            self._said.put(
                OperatorNotice(
                    "notice",
                    "the disk is slow to take the recording; samples are kept in memory meanwhile",
                )
            )
        self._stalled = stalled
        if self._client is None and not self.ending:
            return  # kept for the operator of the next rig host
        while not self._said.empty():
            said = self._said.get()
            self._log.info(said.text)
            if self._client is None:
                print(said.text, file=sys.stderr, flush=True)
            else:
                self._client.tell(said.kind, said.text, said.run, **(said.values or {}))


def keep_last_seconds(link: Path, runs: Path, disk: Disk | None = None) -> None:
    """Write the trip run of a rig host that died together with its recorder, and end its runs.

    Nothing is written if power was off in the last sample that the recorder kept.
    """
    rows, events = read_kept(link)
    description = read_kept_description(link)
    if not description:
        return
    writer = WriterThread(runs, lambda said: print(said.text, file=sys.stderr), disk, link)
    axis = str(description.get("axis") or "")
    for run in runs_left_open(runs, axis):
        writer.repair(run.path)
    writer.describe(description)
    writer.restore(rows, events)
    writer.host_gone(BOTH_DIED, died=True)
    writer.start()
    writer.end(BOTH_DIED)
    writer.join(END_S)


def runs_left_open(runs: Path, axis: str) -> list[RunSummary]:
    """Return the runs that dead recorders left open; those of other axes have their own recorders."""
    return [
        run
        for run in list_runs(runs)
        if run.status == "interrupted" and name_of_axis(run.name, axis) is not None
    ]


def has_trip(runs: Path, wall: str) -> bool:
    """Return whether the trip of this time, ISO 8601, has a run."""
    for run in reversed(list_runs(runs)):
        if run.trip and (load_run(run.path).meta.get("trip") or {}).get("wall") == wall:
            return True
    return False


def to_continue(
    recording: Mapping[str, Any] | None, interrupted: Iterable[RunSummary], axis: str = ""
) -> dict[str, Any] | None:
    """Return the event that begins the run of a new recorder; None if nothing is being recorded.

    Args:
        recording: as the rig host describes it: ``name``, ``note`` and ``wall``, ISO 8601.
        interrupted: runs that dead recorders left.
        axis: axis of the rig host, '' for a single one; names of its runs end with it.
    """
    if not recording:
        return None
    name, wall = str(recording.get("name") or "run"), str(recording.get("wall") or "")
    for run in interrupted:
        begun = (name_of_axis(run.name, axis) or "").removesuffix(CONTINUED)
        if not run.trip and begun == name and run.started >= wall:
            note = (
                f"continues run '{run.path.name}', whose recorder died; samples between the two "
                "are lost"
            )
            return {"kind": "start_run", "name": f"{name}{CONTINUED}", "note": note}
    note = (
        f"the recorder died before any of run '{name}', begun at {wall}, was on disk; samples "
        "until this run begins are lost"
    )
    own = str(recording.get("note") or "")
    return {"kind": "start_run", "name": name, "note": f"{own}; {note}" if own else note}


def record(
    link: Path,
    runs: Path,
    disk: Disk | None = None,
    wait_s: float = 5.0,
    parent: int | None = None,
    take_over: bool = False,
) -> int:
    """Run a recorder in this process until SIGTERM or SIGINT; prints ``ready``.

    With ``take_over`` it finishes the run that a dead recorder left open, and continues it. If the
    rig host is dead too, it keeps the last seconds of both as a trip.

    Raises:
        LinkError: no rig host could be reached.
    """
    recorder: Recorder | None = None
    ending = False

    def end(_signal: int, _frame: FrameType | None) -> None:
        nonlocal ending
        ending = True
        if recorder is not None:
            recorder.ending = True

    if take_over:  # what a dead recorder kept must not be lost to a bench that closes meanwhile
        signal.signal(signal.SIGTERM, end)
        signal.signal(signal.SIGINT, end)
    try:
        recorder = Recorder(link, runs, disk, wait_s, parent)
    except LinkError:
        if take_over:
            keep_last_seconds(link, runs, disk)
        raise
    recorder.ending = ending
    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    print("ready", flush=True)
    if take_over:
        recorder.take_over()
    return recorder.run()
