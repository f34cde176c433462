"""The recorder's process against a serving process: killed, stalled, or without disk space."""

from __future__ import annotations

import contextlib
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hil.core.requests import EndRun, Marker, StartRun
from hil.core.samples import COLUMNS
from hil.link.client import Block, Client, Event
from hil.recorder import Run, list_runs, load_run, repair_run
from hil.recorder.folders import new_run_folder
from tests.hil.link.served import Served

pytestmark = pytest.mark.real_time

PATIENCE_S = 20.0
UNLIMITED = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


@contextlib.contextmanager
def recorder(served: Served, runs: Path, *command: str) -> Iterator[subprocess.Popen[str]]:
    arguments = command or (
        "-m",
        "hil.recorder",
        "--link",
        str(served.directory),
        "--runs",
        str(runs),
    )
    process = subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None and process.stdout.readline() == "ready\n"
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=PATIENCE_S)


def end(process: subprocess.Popen[str]) -> int:
    process.send_signal(signal.SIGTERM)
    return process.wait(PATIENCE_S)


class Watching:
    """A client in control that keeps every event received."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.events: list[Event] = []

    def look(self) -> None:
        self.events += [item for item in self.client.poll() if isinstance(item, Event)]

    def count(self, kind: str, text: str = "") -> int:
        self.look()
        return sum(e.kind == kind and text in e.get("text", "") for e in self.events)

    def until(self, kind: str, text: str = "", count: int = 1) -> dict[str, Any]:
        deadline = time.monotonic() + PATIENCE_S
        while self.count(kind, text) < count:
            assert time.monotonic() < deadline, f"no '{kind}' with '{text}': {self.events[-8:]}"
            time.sleep(0.01)
        return [e for e in self.events if e.kind == kind and text in e.get("text", "")][-1]

    def samples(self, seconds: float) -> None:
        """Wait until samples of this many seconds have arrived."""
        until = None
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for item in self.client.poll():
                if isinstance(item, Event):
                    self.events.append(item)
                elif isinstance(item, Block):
                    last = float(item.rows[-1, 0])
                    until = last + seconds if until is None else until
                    if last >= until:
                        return
            time.sleep(0.01)
        raise AssertionError("samples do not come")


@contextlib.contextmanager
def watching(served: Served) -> Iterator[Watching]:
    with Client.connect(served.directory, name="test", unlimited=True) as client:
        client.take_control()
        with client.keep_control():
            yield Watching(client)


def without_gap(run: Run) -> np.ndarray:
    cycles = run.column("cycle")
    np.testing.assert_array_equal(np.diff(cycles), 1)
    assert run.meta["lost_samples"] == 0
    return cycles


def same_samples(one: Run, other: Run) -> None:
    assert one.table.num_rows
    for column in COLUMNS:
        np.testing.assert_array_equal(one.column(column.name), other.column(column.name))


def test_runs_hold_what_passed_between_their_events(served: Served, directory: Path) -> None:
    runs = directory / "runs"
    with recorder(served, runs) as process, watching(served) as watch:
        watch.client.request(StartRun(name="hold 5 kg", note="tight screws"))
        assert watch.until("recording")["run"] == "0001-hold-5-kg"
        watch.samples(0.3)
        watch.client.request(Marker(text="here"))
        watch.client.request(EndRun())
        told = watch.until("recorded")
        assert told["run"] == "0001-hold-5-kg" and told["values"]["lost_samples"] == 0
        for name in ("one", "two"):
            watch.client.request(StartRun(name=name))
            watch.samples(0.2)
        assert end(process) == 0
    run, one, two = (load_run(summary.path) for summary in list_runs(runs))
    assert run.complete and run.meta["how_it_ended"] == "ended as requested"
    assert run.meta["note"] == "tight screws" and run.meta["profile"]["name"] == "made up"
    cycles = without_gap(run)
    kinds = [event["kind"] for event in run.events]
    assert kinds[0] == "start_run" and kinds[-1] == "end_run" and "marker" in kinds
    assert "heartbeat" not in kinds
    assert run.events[0]["time_s"] == pytest.approx(cycles[0] / 1000.0, abs=0.0015)
    assert run.events[-1]["time_s"] == pytest.approx((cycles[-1] + 1) / 1000.0, abs=0.0015)
    expected = (cycles % 97 + 6 / 64).astype(np.float32)  # as publisher.py makes them
    np.testing.assert_array_equal(run.column("spring_force_N"), expected)
    assert one.meta["how_it_ended"] == "another run was started"
    assert two.meta["how_it_ended"] == "the end of the recorder was requested"
    assert without_gap(one)[-1] + 1 == without_gap(two)[0]


def test_a_killed_recorder_leaves_a_run_readable_to_the_last_second(
    served: Served, directory: Path
) -> None:
    runs = directory / "runs"
    with recorder(served, runs) as process, watching(served) as watch:
        watch.client.request(StartRun(name="doomed"))
        watch.until("recording")
        watch.samples(1.1)
        watch.client.request(Marker(text="last"))
        process.kill()
        process.wait()
        last_s = watch.until("marker")["time_s"]
        watch.samples(0.2)  # the rig host continues
        summary = list_runs(runs)[0]
        assert summary.status == "interrupted"
        run = load_run(summary.path)
        assert run.column("time_s")[-1] > last_s - 1.0
        with recorder(served, runs):  # the next recorder starts a new run beside it
            watch.client.request(StartRun(name="next"))
            assert watch.until("recording", count=2)["run"] == "0002-next"
        repair_run(summary.path)
    repaired = load_run(summary.path)
    assert repaired.meta["status"] == "repaired"
    assert without_gap(repaired)[-1] > 1000 * (last_s - 1.0)
    same_samples(repaired, run)


@pytest.mark.parametrize("how", ["killed", "ended"])
def test_a_dead_host_ends_the_run_and_the_run_says_so(
    mortal: Served, directory: Path, how: str
) -> None:
    runs = directory / "runs"
    with recorder(mortal, runs) as process:
        with watching(mortal) as watch:
            watch.client.request(StartRun(name="orphan"))
            watch.until("recording")
            watch.samples(0.3)
            mortal.kill() if how == "killed" else mortal.terminate()
        deadline = time.monotonic() + PATIENCE_S
        while list_runs(runs)[0].status != "complete":
            assert time.monotonic() < deadline and process.poll() is None
            time.sleep(0.05)
        run = load_run(list_runs(runs)[0].path)
        without_gap(run)
        words = {"killed": "fell silent", "ended": "the rig host ended"}[how]
        assert words in run.meta["how_it_ended"]
        if how == "ended":
            return
        mortal.start()  # the recorder finds the new host
        deadline = time.monotonic() + PATIENCE_S
        with watching(mortal) as watch:
            while not watch.count("recording"):
                assert time.monotonic() < deadline
                watch.client.request(StartRun(name="again"))
                time.sleep(0.3)
            watch.until("notice", "recording ended: the rig host fell silent")
        assert end(process) == 0


def test_a_trip_keeps_ten_seconds_before_and_two_after(directory: Path) -> None:
    runs = directory / "runs"
    # At ten times the rate, fifteen seconds of samples take one and a half.
    with (
        Served(directory / "link", "--rate", "10000", "--time-scale", "10") as fast,
        recorder(fast, runs) as process,
        watching(fast) as watch,
    ):
        watch.samples(1.0)
        watch.client.stop("operator")  # an operator's stop keeps no samples
        watch.client.request(Marker(text="early"))
        watch.client.stop("trip: early")
        assert watch.until("kept")["run"] == "0001-trip"  # no run was active
        watch.client.request(StartRun(name="around"))
        watch.samples(11.0)
        watch.client.stop("trip: sensor")
        watch.until("kept", count=2)
        watch.client.request(EndRun())
        watch.until("recorded")
        assert end(process) == 0
    early, around, late = (load_run(summary.path) for summary in list_runs(runs))
    kinds = [e["kind"] for e in early.events if e["kind"] in ("marker", "stop")]
    assert kinds == ["stop", "marker", "stop"]
    assert early.meta["trip"]["detail"] == "trip: early"
    assert early.column("time_s")[0] < early.meta["trip"]["time_s"] - 1.0
    at_s = late.meta["trip"]["time_s"]
    time_s = late.column("time_s")
    assert time_s[0] == pytest.approx(at_s - 10, abs=0.0015)
    assert time_s[-1] == pytest.approx(at_s + 2, abs=0.0015)
    assert without_gap(around)[-1] >= without_gap(late)[-1]
    assert around.meta["trip"] is None and list_runs(runs)[2].trip == "Operator"


def test_a_stalled_disk_loses_nothing_and_is_said(served: Served, directory: Path) -> None:
    runs, sign = directory / "runs", directory / "sign"
    script = str(Path(__file__).with_name("stalling_recorder.py"))
    with (
        recorder(
            served, runs, script, str(served.directory), str(runs), str(sign), "1.5"
        ) as process,
        watching(served) as watch,
    ):
        watch.client.request(StartRun(name="stalled"))
        watch.until("recording")
        sign.touch()
        watch.until("notice", "slow to take")
        watch.samples(0.3)
        watch.client.request(EndRun())
        told = watch.until("recorded")
        assert end(process) == 0
    run = load_run(runs / told["run"])
    assert run.column("time_s")[-1] - run.column("time_s")[0] > 1.3
    without_gap(run)


def until_full(process: subprocess.Popen[str], watch: Watching, count: int = 1) -> dict[str, Any]:
    """Forbid the recorder to write to any file, and wait until it reports that."""
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (1, resource.RLIM_INFINITY))
    return watch.until("notice", "does not take the recording", count)


def test_whatever_the_disk_refuses_is_said_once_and_nothing_is_lost(
    served: Served, directory: Path
) -> None:
    runs = directory / "runs"
    runs.touch()  # a file in place of the directory
    with recorder(served, runs) as process, watching(served) as watch:
        watch.client.request(StartRun(name="patient"))
        assert str(runs) in watch.until("notice", "does not take")["text"]
        watch.samples(0.3)
        runs.unlink()
        watch.until("recording")
        watch.until("notice", "takes the recording again")
        notice = until_full(process, watch, count=2)
        assert "File too large" in notice["text"] and "free disk space" in notice["text"]
        watch.samples(0.6)
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, UNLIMITED)
        watch.until("notice", "takes the recording again", count=2)
        shutil.rmtree(runs)
        watch.samples(0.4)
        watch.client.request(EndRun())
        told = watch.until("recorded")
        assert watch.count("notice") == 4
        assert end(process) == 0
    run = load_run(runs / told["run"])
    assert without_gap(run)[0] == pytest.approx(1000 * run.events[0]["time_s"], abs=1.5)
    assert len(run.column("cycle")) > 1200 and run.events[0]["kind"] == "start_run"


def test_a_disk_that_stays_full_ends_in_a_run_to_repair(served: Served, directory: Path) -> None:
    runs = directory / "runs"
    with recorder(served, runs) as process, watching(served) as watch:
        watch.client.request(StartRun(name="full"))
        watch.until("recording")
        watch.samples(0.4)
        until_full(process, watch)
        assert end(process) == 1
        assert process.stderr is not None and "hookeline runs repair" in process.stderr.read()
    summary = list_runs(runs)[0]
    assert summary.status == "interrupted"
    repair_run(summary.path)
    assert len(without_gap(load_run(summary.path))) > 100


def test_two_recorders_of_one_rig_do_not_collide(served: Served, directory: Path) -> None:
    runs = directory / "runs"
    new_run_folder(runs, "older")
    with (
        recorder(served, runs) as first,
        recorder(served, runs) as second,
        watching(served) as watch,
    ):
        watch.client.request(StartRun(name="both"))
        watch.until("recording", count=2)
        watch.samples(0.3)
        watch.client.request(EndRun())
        watch.until("recorded", count=2)
        assert (end(first), end(second)) == (0, 0)
    both = [run for run in list_runs(runs) if run.name == "both"]
    assert [run.number for run in both] == [2, 3]
    same_samples(*(load_run(run.path) for run in both))


def test_no_host_is_said_in_one_line(directory: Path) -> None:
    directory.joinpath("link").mkdir(mode=0o700)
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "hil.recorder",
            "--link",
            str(directory / "link"),
            "--runs",
            str(directory / "runs"),
            "--wait",
            "0.2",
        ],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 2 and done.stdout == ""
    assert "is it running" in done.stderr and len(done.stderr.splitlines()) == 1
