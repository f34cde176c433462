"""Fill the disk for an hour under a run at 1 kHz.

The hour is one of samples, not of the clock: the recorder's writing thread gets 3600 s of rows as
fast as it takes them, while its disk refuses every byte (ENOSPC) from the second minute to the end
of the hour; then the disk has room for one more minute. The judge checks

- *memory*: the queue never exceeds ``MOST_WAITING_BYTES`` by more than 5 %;
- *reported*: the operator learns that the disk refuses, once that samples are being lost, and in
  the end how many were lost;
- *the run*: complete and readable, with every sample up to the first that found no room in memory,
  and every one after room returned; the number missing is the number reported.

It needs 0.6 GB of memory and as much disk. ``--check`` exits 1 naming what fell short; ``--json`` puts
one object on the last line.
"""

from __future__ import annotations

import argparse
import datetime
import errno
import json
import os
import re
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from table import machine

from hil.core import COLUMNS, INDEX
from hil.recorder import list_runs, load_run
from hil.recorder.append_file import Disk
from hil.recorder.writer_thread import MOST_WAITING_BYTES, OperatorNotice, WriterThread

RATE_HZ = 1000
BEFORE_S, FULL_S, AFTER_S = 60, 3600, 60
BLOCK = 1000  # rows handed over at once
TURN_S = 0.005  # for a second of samples: the writing thread's turn
PATIENCE_S = 120.0


class FillingDisk(Disk):
    """A file that refuses every byte while ``full``."""

    def __init__(self) -> None:
        self.full = False

    def write(self, file: int, data: memoryview) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super().write(file, data)


# No two samples are the same, so compression gains nothing.
DRAW = np.random.default_rng(1)


def rows_of(second: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the samples of one second, all different in cycle and time."""
    rows = DRAW.random((RATE_HZ, len(COLUMNS)))
    for name in ("state", "power_stage"):
        rows[:, INDEX[name]] = 0.0
    rows[:, INDEX["cycle"]] = np.arange(second * RATE_HZ, (second + 1) * RATE_HZ)
    rows[:, INDEX["time_s"]] = rows[:, INDEX["cycle"]] / RATE_HZ
    return rows


def until_written(writer: WriterThread, below: int) -> None:
    end = time.monotonic() + PATIENCE_S
    while writer.waiting_bytes > below:
        if time.monotonic() > end:
            raise TimeoutError(f"{writer.waiting_bytes} bytes wait for a disk with room")
        time.sleep(0.01)


def campaign(full_s: int) -> tuple[dict[str, Any], list[str]]:
    """Run the campaign; return the observations and the violations."""
    short: list[str] = []
    said: list[OperatorNotice] = []
    disk = FillingDisk()
    most = first_lost = 0
    with tempfile.TemporaryDirectory(prefix="hk-") as folder:
        writer = WriterThread(Path(folder), said.append, disk)
        writer.start()
        writer.event({"kind": "start_run", "name": "hour", "time_s": 0.0})
        second = 0

        def hand_over(seconds: int) -> None:
            nonlocal second, most, first_lost
            for _ in range(seconds):
                before = writer.dropped
                writer.rows(rows_of(second))
                most = max(most, writer.waiting_bytes)
                if writer.dropped and not before:
                    first_lost = second * RATE_HZ
                second += 1
                time.sleep(TURN_S)

        hand_over(BEFORE_S)
        until_written(writer, 0)
        disk.full = True
        hand_over(full_s)
        lost = writer.dropped
        disk.full = False
        until_written(writer, MOST_WAITING_BYTES // 2)
        hand_over(AFTER_S)
        writer.event({"kind": "end_run", "time_s": float(second)})
        writer.end("the campaign is over")
        writer.join(PATIENCE_S)
        told_lost = f"{lost} samples were lost" if lost else "nothing was lost"
        if most > 1.05 * MOST_WAITING_BYTES:  # plus the rows that the writing thread is working on
            short.append(f"{most} bytes were kept in memory, above {MOST_WAITING_BYTES}")
        full_told = sum("samples are being lost" in one.text for one in said)
        if full_told != bool(lost):
            short.append(f"the loss of {lost} samples was told {full_told} times")
        refused = [one.text for one in said if "room" in one.text or "space" in one.text.lower()]
        if not refused:
            short.append(f"nobody was told that the disk is full: {[one.text for one in said]}")
        (summary,) = list_runs(Path(folder))
        run = load_run(summary.path)
        cycles = run.column("cycle").astype(int)
        expected = second * RATE_HZ - writer.dropped
        if not run.complete or len(cycles) != expected:
            short.append(f"{len(cycles)} samples in the run, {expected} expected")
        steps = np.diff(cycles)
        gaps = np.flatnonzero(steps != 1)
        # Compression shortens the queue: a few samples still find room, so there are more gaps.
        if bool(len(gaps)) != bool(lost) or (lost and cycles[gaps[0]] != first_lost - 1):
            short.append(
                f"gaps at cycles {cycles[gaps].tolist()}, the first expected at {first_lost}"
            )
        again = [one.text for one in said if "again" in one.text]
        if again != [f"the disk takes the recording again; {told_lost}"]:
            short.append(f"{lost} samples were lost, the operator was told: {again}")
        seen: dict[str, Any] = {
            "date": datetime.date.today().isoformat(),
            "machine": machine(),
            "full_s": full_s,
            "kept_in_memory_s": (first_lost or second * RATE_HZ) / RATE_HZ - BEFORE_S,
            "lost_samples": writer.dropped,
            "lost_after_room": writer.dropped - lost,
            "most_waiting_MB": round(most / 2**20, 1),
            "peak_memory_MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
            "told": [re.sub(": '[^']*'", "", one.text) for one in said if one.kind == "notice"],
        }
        if writer.dropped != lost:
            short.append(f"{writer.dropped - lost} samples were lost though there was room")
    return seen, short


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=int, default=FULL_S, help="of samples on a full disk")
    parser.add_argument("--check", action="store_true", help="exit 1 if anything fell short")
    parser.add_argument("--json", action="store_true", help="one JSON object on the last line")
    options = parser.parse_args()
    seen, short = campaign(options.seconds)
    for name, value in seen.items():
        print(f"{name}: {value}")
    for line in short:
        print(f"SHORT: {line}", file=sys.stderr)
    if options.json:
        print(json.dumps({**seen, "texts": short}))
    return 1 if options.check and short else 0


if __name__ == "__main__":
    raise SystemExit(main())
