"""The whole bench as real processes: simulated rig on a CAN bus, rig host, recorder, clients."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import can
import numpy as np
import pytest

from hil.core import State
from hil.core.requests import (
    Apply,
    ConstantForce,
    EndRun,
    Float,
    HoldPosition,
    PowerOn,
    Reset,
    SessionCap,
    StartRun,
)
from hil.host.processes import BenchError
from hil.host.start import LET_SLEEP, BenchOptions, start_bench
from hil.link.client import Client
from hil.link.errors import Refused
from hil.profile.loader import find_profile
from hil.recorder import RunError, list_runs, load_run

pytestmark = [pytest.mark.real_time, pytest.mark.usefixtures("favoured_client")]

PROFILE = "footplate_trainer"


class Watch:
    """Collector of everything that one client receives."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.events: list[dict] = []
        self.state = ""

    def until(self, kind: str, seconds: float = 5.0, heartbeat: bool = True, **match):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if heartbeat:
                self.client.heartbeat()
            for item in self.client.poll():
                if hasattr(item, "rows"):
                    continue
                self.events.append(item)
                if item["kind"] == "heartbeat":
                    self.state = item["state"]
                if item["kind"] == kind and all(item.get(k) == v for k, v in match.items()):
                    return item
            time.sleep(0.01)
        heard = [event for event in self.events if event["kind"] != "heartbeat"]
        raise AssertionError(f"no {kind} {match} in {heard}")


@pytest.fixture
def own_bench(tmp_path):
    """A bench for one test, which ends one of its processes."""
    with start_bench(PROFILE, BenchOptions(runs_directory=tmp_path / "runs")) as bench:
        yield bench


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A shared bench for the tests at the end, which leave the power off and every process alive."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.setenv(LET_SLEEP, "1")
        options = BenchOptions(runs_directory=tmp_path_factory.mktemp("shared") / "runs")
        with start_bench(PROFILE, options) as bench:
            yield bench


@pytest.fixture
def client(bench):
    with Client.connect(bench.link_directory, name="test") as client:
        yield client


@pytest.fixture
def own_client(own_bench):
    with Client.connect(own_bench.link_directory, name="test") as client:
        yield client


def work(client: Client) -> Watch:
    watch = Watch(client)
    client.take_control()
    with contextlib.suppress(Refused):  # not stopped
        client.request(Reset())
    power_on_from_rest(client)
    watch.until("state", state="STANDBY")
    client.request(Apply(behaviour=Float()))
    watch.until("state", state="RUNNING")
    return watch


def power_on_from_rest(client: Client) -> None:
    """Power on once the lever, which sinks after a stop, rests on its end."""
    end = time.monotonic() + 20.0
    while True:
        try:
            client.request(PowerOn(load_supported=True))
            return
        except Refused as refusal:
            if "still moves" not in str(refusal) or time.monotonic() > end:
                raise
        client.heartbeat()
        time.sleep(0.05)


def disabled_on_wire(bench, seconds: float = 2.0) -> bool:
    """Return whether RPDO 1 carries a controlword that disables voltage within ``seconds``."""
    channel = str(bench.link_directory / "can.sock")
    with can.Bus(interface="local_socket", channel=channel) as wire:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            frame = wire.recv(0.1)
            if frame is not None and frame.arbitration_id == 0x205 and not frame.data[0] & 0x02:
                return frame.data[3:5] == b"\0\0"
    return False


def test_a_killed_host_lets_the_drive_stop_by_itself_and_leaves_its_last_seconds_as_a_trip(
    own_bench, own_client
):
    work(own_client)
    channel = str(own_bench.link_directory / "can.sock")
    with can.Bus(interface="local_socket", channel=channel) as wire:
        with own_client.keep_control():
            time.sleep(0.5)
            while wire.recv(0.0) is not None:
                pass
            own_bench.processes["host"].send_signal(signal.SIGKILL)
        end = time.monotonic() + 2
        emergency = None
        while emergency is None and time.monotonic() < end:
            frame = wire.recv(0.1)
            if frame is not None and frame.arbitration_id == 0x85:
                emergency = bytes(frame.data[:2])
    assert emergency == b"\x30\x81"  # CiA 301: 8130h, heartbeat error
    own_bench.processes["host"].wait(20)  # a killed process may take longer to disappear
    assert "host" in (own_bench.wait_failed() or "")
    deadline = time.monotonic() + 20
    while not (trips := [r for r in list_runs(own_bench.runs_directory) if r.trip and r.samples]):
        assert time.monotonic() < deadline
        time.sleep(0.1)
    assert trips[-1].trip == "Rig host died" and "treated as dead" in trips[-1].note
    run = load_run(trips[-1].path)
    assert State.RUNNING in set(run.column("state"))
    # The logs of the processes are kept beside the samples.
    while not (kept := trips[-1].path / "processes.log").exists():
        assert time.monotonic() < deadline
        time.sleep(0.1)
    log = kept.read_text()
    assert " host INFO version " in log and " recorder INFO records into " in log


def test_lost_bus_stops_and_the_trip_is_kept(own_bench, own_client):
    watch = work(own_client)
    own_bench.processes["rig"].kill()
    stop = watch.until("stop")
    # The bench reports the closed bus or the missing samples, whichever it detects first.
    assert "bus was lost" in stop["detail"] or "old" in stop["detail"]
    with contextlib.suppress(AssertionError):  # the loss may be reported a moment later
        watch.until("nothing", seconds=0.5)
    with pytest.raises(Refused, match="lost"):
        own_client.request(Reset())
    deadline = time.monotonic() + 10
    kept: list = []
    while not kept and time.monotonic() < deadline:
        kept = list(own_bench.runs_directory.glob("*trip*/samples.parquet"))
        own_client.poll()
        time.sleep(0.1)
    run = load_run(kept[0].parent)
    assert run.column("tripped").max() > 0


def test_a_cap_of_the_start_is_reported_held_and_narrowed(tmp_path):
    options = BenchOptions(runs_directory=tmp_path / "runs", cap=SessionCap(force_N=100.0))
    with (
        start_bench(PROFILE, options) as bench,
        Client.connect(bench.link_directory, name="narrows") as client,
    ):
        assert client.description["session_cap"] == {"force_N": 100.0}
        client.take_control()
        with pytest.raises(Refused, match="confirm"):
            client.request(SessionCap(force_N=150.0))
        client.request(SessionCap(force_N=80.0, speed_m_s=0.05))
        cap = {"force_N": 80.0, "speed_m_s": 0.05}
        watch = Watch(client)
        assert watch.until("session_cap")["cap"] == cap
        client.request(StartRun(name="capped"))
        watch.until("recording")
        client.request(EndRun())
        watch.until("recorded")
        with Client.connect(bench.link_directory, name="comes later") as later:
            assert later.description["session_cap"] == cap
    [run] = list_runs(tmp_path / "runs")
    assert load_run(run.path).meta["session_cap"] == cap


def test_bad_profile_and_missing_drive_end_with_one_line(tmp_path):
    text = find_profile(PROFILE).read_text()
    bad = tmp_path / "bad.yaml"
    bad.write_text(text.replace("name:", "nmae:", 1))
    done = subprocess.run(
        [sys.executable, "-m", "hil.host", "--profile", str(bad), "--link", str(tmp_path / "l")],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2 and "Traceback" not in done.stderr and "bad.yaml" in done.stderr
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "hil.host",
            "--profile",
            PROFILE,
            "--link",
            str(tmp_path / "l"),
            "--wires",
            str(tmp_path),
        ],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 3 and "Traceback" not in done.stderr
    assert "does not open" in done.stderr


STARTER = """
import sys, time
from pathlib import Path
from hil.host.start import BenchOptions, start_bench
bench = start_bench(sys.argv[1], BenchOptions(runs_directory=Path(sys.argv[2])))
print(*(process.pid for process in bench.processes.values()), flush=True)
time.sleep(60)
"""


def gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except FileNotFoundError:
        return True


def test_no_process_outlives_the_one_who_started_the_bench(tmp_path):
    starter = subprocess.Popen(
        [sys.executable, "-c", STARTER, PROFILE, str(tmp_path)],
        stdout=subprocess.PIPE,
        env={name: value for name, value in os.environ.items() if name != LET_SLEEP},
        text=True,
    )
    assert starter.stdout is not None
    pids = [int(word) for word in starter.stdout.readline().split()]
    assert len(pids) == 4 and not any(gone(pid) for pid in pids)
    starter.kill()
    starter.wait()
    until = time.monotonic() + 20
    while not all(gone(pid) for pid in pids):
        assert time.monotonic() < until, [pid for pid in pids if not gone(pid)]
        time.sleep(0.1)


# ---------------------------------------------------------------------- one bench for all below


def test_session_stop_reset_and_run_on_disk(bench, client):
    with pytest.raises(Refused, match="control"):
        client.request(PowerOn(load_supported=True))
    client.take_control()
    with pytest.raises(Refused, match="support the load"):
        client.request(PowerOn(load_supported=False))
    watch = work(client)
    with pytest.raises(Refused, match="not stopped"):
        client.request(Reset())
    client.request(Apply(behaviour=HoldPosition(position_m=0.02, speed_m_s=0.05)))
    watch.until("applied")
    with Client.connect(bench.link_directory, name="bystander") as other:
        with pytest.raises(Refused, match="test"):
            other.take_control()
        other.stop("pinched finger")
    stop = watch.until("stop")
    assert stop["detail"] == "pinched finger" and 0 <= stop["to_wire_ms"] < 100
    assert disabled_on_wire(bench)
    with pytest.raises(Refused, match="stopped"):
        client.request(Apply(behaviour=ConstantForce(force_N=50.0)))
    client.request(Reset())
    watch.until("state", state="DE_ENERGISED")
    assert disabled_on_wire(bench), "a reset must not energise"


def test_silent_holder_stops_the_rig(bench, client):
    work(client)
    with Client.connect(bench.link_directory, name="bystander") as other:
        # From here on the holder neither sends heartbeats nor polls.
        bystander = Watch(other)
        stop = bystander.until("stop", heartbeat=False)
        assert disabled_on_wire(bench)
        bystander.until("kept", seconds=20, heartbeat=False)  # later tests end the recorder
    assert stop["cause"].lower().startswith("heartbeat") and stop["trip"]


def test_a_host_that_was_held_stops_and_keeps_what_came_before_as_a_trip(bench, client):
    watch = work(client)
    host = bench.processes["host"]
    with client.keep_control():
        time.sleep(0.3)
        host.send_signal(signal.SIGSTOP)
        time.sleep(0.4)
        host.send_signal(signal.SIGCONT)
        stop = watch.until("stop")
    assert stop["trip"]
    kept = watch.until("kept", seconds=20)
    run = load_run(bench.runs_directory / kept["run"])
    states, times = run.column("state"), run.column("time_s")
    gap = int(np.argmax(np.diff(times)))
    # The record includes the time before the pause; nothing moved by itself after it.
    assert times[gap + 1] - times[gap] > 0.3 and states[gap - 2] == State.RUNNING
    assert State.RUNNING not in set(states[gap + 2 :])
    assert any("SIGSTOP" in str(event) for event in run.events)


def test_what_keeps_the_processor_awake_may_be_left_out(bench):
    assert "keep_awake" not in bench.processes


def test_a_recorder_that_hangs_is_reported_and_a_busy_one_is_not(bench):
    with Client.connect(bench.link_directory, name="test") as client:
        watch = Watch(client)
        end = time.monotonic() + 2.5
        while time.monotonic() < end:
            watch.until("heartbeat")
        assert not any(event["kind"] == "recorder_lost" for event in watch.events)
        bench.processes["recorder"].send_signal(signal.SIGSTOP)
        try:
            assert "RECORDER IS GONE" in watch.until("recorder_lost")["text"]
        finally:
            bench.processes["recorder"].send_signal(signal.SIGCONT)
        watch.until("recorder_back")


def test_second_host_on_one_link_is_refused(bench, tmp_path):
    with pytest.raises(BenchError):
        start_bench(
            PROFILE,
            BenchOptions(runs_directory=tmp_path / "r2", link_directory=bench.link_directory),
        )


def until_on_disk(folder: Path, samples: int) -> None:
    deadline = time.monotonic() + 20
    while True:
        with contextlib.suppress(RunError):
            if load_run(folder).table.num_rows >= samples:
                return
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_dead_recorder_is_reported_and_another_goes_on(bench):
    with Client.connect(bench.link_directory, name="test") as client:
        watch = Watch(client)
        client.take_control()
        client.request(StartRun(name="walk"))
        first = watch.until("recording")["run"]
        with client.keep_control():
            until_on_disk(bench.runs_directory / first, samples=300)
        bench.processes["recorder"].send_signal(signal.SIGKILL)
        second = watch.until("recording", seconds=20.0)["run"]
        assert second != first and "walk-continued" in second
        while not any("THE RECORDER DIED" in event.get("text", "") for event in watch.events):
            watch.until("notice", seconds=20.0)
        client.request(EndRun())
        watch.until("recorded", seconds=20.0)
        runs = {run.path.name: run for run in list_runs(bench.runs_directory)}
        assert runs[first].status == "repaired" and (runs[first].samples or 0) > 200
        assert first in runs[second].note and "lost" in runs[second].note


def test_a_recorder_that_dies_before_it_wrote_anything_is_followed_by_one_that_records(bench):
    with Client.connect(bench.link_directory, name="test") as client, client.keep_control():
        watch = Watch(client)
        client.take_control()
        starved = bench.processes["recorder"]
        starved.send_signal(signal.SIGSTOP)
        client.request(StartRun(name="early", note="of the operator"))
        starved.send_signal(signal.SIGKILL)
        name = watch.until("recording", seconds=20.0)["run"]
        until_on_disk(bench.runs_directory / name, samples=100)
        client.request(EndRun())
        watch.until("recorded", seconds=20.0)
        (run,) = (run for run in list_runs(bench.runs_directory) if "early" in run.name)
        assert run.path.name == name and run.name == "early"
        assert "recorder died before" in run.note and "of the operator" in run.note


def test_a_recorder_that_dies_while_nothing_is_recorded_leaves_nothing_to_continue(bench):
    with Client.connect(bench.link_directory, name="test") as client:
        assert client.description["recording"] is None
        before = len(list_runs(bench.runs_directory))
        bench.processes["recorder"].send_signal(signal.SIGKILL)
        watch = Watch(client)
        while not any("THE RECORDER DIED" in event.get("text", "") for event in watch.events):
            watch.until("notice", seconds=20.0)
        assert len(list_runs(bench.runs_directory)) == before
