"""A run is on disk as soon as it begins, so that a recorder that dies leaves a run."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from hil.recorder import list_runs, writer_thread
from hil.recorder.listing import RunSummary
from hil.recorder.process import to_continue
from hil.recorder.writer_thread import WriterThread

NEVER_S = 3600.0
RECORDING = {"name": "walk", "note": "", "wall": "2026-11-28T12:00:00.500+00:00"}


@pytest.mark.parametrize("event", ["start_run", "stop"])
def test_the_first_write_does_not_wait_for_the_next_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: str
) -> None:
    monkeypatch.setattr(writer_thread, "WRITE_S", NEVER_S)
    thread = WriterThread(tmp_path, lambda said: None)
    thread.start()
    thread.describe({})
    thread.event({"kind": "notice", "time_s": 0.0})  # ends the turn before
    time.sleep(0.05)
    thread.event({"kind": event, "name": "walk", "trip": True, "time_s": 1.0})
    end = time.monotonic() + 10.0
    while not list_runs(tmp_path):
        assert time.monotonic() < end, "nothing on disk"
        time.sleep(0.005)
    thread.end("enough")
    thread.join(10.0)


def found(name: str, started: str, trip: str = "") -> RunSummary:
    return RunSummary(Path(f"0007-{name}"), 7, name, "interrupted", started=started, trip=trip)


def test_a_run_that_is_on_disk_is_continued_under_its_name() -> None:
    for name in ("walk", "walk-continued"):  # a run can be continued twice
        event = to_continue(RECORDING, [found(name, RECORDING["wall"])])
        assert event is not None and event["name"] == "walk-continued"
        assert f"continues run '0007-{name}'" in event["note"]


def test_a_run_of_an_axis_is_continued_by_the_recorder_of_that_axis() -> None:
    left = [found("walk toe", RECORDING["wall"]), found("walk-continued heel", RECORDING["wall"])]
    event = to_continue(RECORDING, left, "heel")
    assert event is not None and event["name"] == "walk-continued"  # the writer sets the axis
    assert "continues run '0007-walk-continued heel'" in event["note"]
    event = to_continue(RECORDING, left[:1], "heel")
    assert event is not None and "recorder died before" in event["note"]


@pytest.mark.parametrize(
    "interrupted",
    [
        [],
        [found("walk", "2026-11-27T08:00:00.000+00:00")],  # from another day
        [found("swing", "2026-11-28T12:00:01.000+00:00")],
        [found("walk", "2026-11-28T12:00:01.000+00:00", trip="Force")],
    ],
)
def test_a_run_that_left_nothing_is_begun_again(interrupted: list[RunSummary]) -> None:
    event = to_continue({**RECORDING, "note": "with weight"}, interrupted)
    assert event is not None and event["name"] == "walk"
    assert event["note"].startswith("with weight") and "recorder died before" in event["note"]


def test_nothing_is_begun_if_nothing_is_being_recorded() -> None:
    assert to_continue(None, [found("walk", RECORDING["wall"])]) is None


def test_the_first_rows_load_no_module() -> None:
    """Imports once delayed the first write of a run by 0.3 s, on a busy computer by 1 s."""
    program = (
        "import sys; import numpy as np; from hil.core import COLUMNS\n"
        "from hil.recorder.table import StreamEncoder\n"
        "rows = np.full((3, len(COLUMNS)), np.nan); encoder = StreamEncoder()\n"
        "before = set(sys.modules); encoder.encode(rows); encoder.encode(rows * 0.0 + 1.0)\n"
        "print(sorted(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr
