"""What a dead recorder kept is recorded by the one that follows: a trip, a rig host's last seconds."""

from __future__ import annotations

import signal
import time

import numpy as np
import pytest

from drivers.simulated import EnvironmentClient
from hil.core import INDEX, Apply, Float, PowerOn
from hil.host import BenchOptions, start_bench
from hil.link import Block, Client
from hil.recorder import list_runs, load_run

pytestmark = [pytest.mark.real_time, pytest.mark.usefixtures("favoured_client")]

PATIENCE_S = 30.0
JUMP_COUNTS = 250  # of the deflection sensor; the limit is 200


class TripWatch:
    """The newest sample and the events that a client receives."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.time_s = 0.0
        self.events: list[dict] = []

    def look(self) -> None:
        for item in self.client.poll():
            if isinstance(item, Block):
                self.time_s = float(item.rows[-1, INDEX["time_s"]])
            else:
                self.events.append(item)
        time.sleep(0.005)

    def power_on(self) -> None:
        """Take control and power the rig; wait for Standby."""
        self.client.take_control()
        self.client.request(PowerOn(load_supported=True))
        self.until("state", state="STANDBY")

    def until(self, kind: str, **match: object) -> dict:
        end = time.monotonic() + PATIENCE_S
        while True:
            for event in self.events:
                if event["kind"] == kind and all(event.get(k) == v for k, v in match.items()):
                    return event
            assert time.monotonic() < end, f"no {kind} {match}"
            self.look()


@pytest.mark.parametrize("dies", ["before the trip", "after the trip"])
def test_the_seconds_in_memory_outlive_their_recorder(tmp_path, dies) -> None:
    with (
        start_bench("footplate_trainer", BenchOptions(runs_directory=tmp_path)) as bench,
        Client.connect(bench.link_directory, name="test", unlimited=True) as client,
        client.keep_control(),
    ):
        watch = TripWatch(client)
        watch.power_on()
        client.request(Apply(behaviour=Float()))
        watch.until("state", state="RUNNING")
        begun_s = watch.time_s
        while watch.time_s < begun_s + 2.5:
            watch.look()
        last_s = watch.time_s  # in the recorder's memory within its turn
        first = bench.processes["recorder"]
        first.send_signal(signal.SIGSTOP if dies == "after the trip" else signal.SIGKILL)
        control = EnvironmentClient(f"ipc://{bench.link_directory / 'environment.ipc'}")
        control.disturb("deflection_jump_counts", JUMP_COUNTS)
        stop = watch.until("stop", trip=True)
        control.close()
        first.send_signal(signal.SIGKILL)
        kept = watch.until("kept")
        again = [event for event in watch.events if event["kind"] == "kept"]
    (run,) = (run for run in list_runs(tmp_path) if run.trip)
    assert len(again) == 1 and run.path.name == kept["run"] and run.trip == stop["cause"]
    assert "recorder died before this trip" in run.note and stop["detail"] in run.note
    recorded = load_run(run.path)
    assert recorded.meta["trip"]["time_s"] == stop["time_s"]
    times_s = recorded.column("time_s")
    before_s = times_s[times_s <= last_s]
    assert before_s[0] < begun_s  # all of it, from before power
    assert before_s[-1] > last_s - 1.0
    assert np.all(np.diff(times_s) > 0) and times_s[-1] <= stop["time_s"] + 2.0
    assert {"state", "stop"} <= {event["kind"] for event in recorded.events}
    assert not list(bench.link_directory.glob("recent-*"))  # a recorder that ends tidies up


def test_the_last_seconds_outlive_recorder_and_rig_host(tmp_path) -> None:
    with start_bench("footplate_trainer", BenchOptions(runs_directory=tmp_path)) as bench:
        with (
            Client.connect(bench.link_directory, name="test", unlimited=True) as client,
            client.keep_control(),
        ):
            watch = TripWatch(client)
            watch.power_on()
            begun_s = watch.time_s
            while watch.time_s < begun_s + 1.5:
                watch.look()
            last_s = watch.time_s
            for name in ("recorder", "host"):
                bench.processes[name].send_signal(signal.SIGKILL)
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and bench.processes["recorder"].poll() in (
            None,
            -signal.SIGKILL,
        ):
            time.sleep(0.02)
    (run,) = list_runs(tmp_path)
    assert run.trip == "Rig host died" and "died together" in run.note
    assert run.status == "complete", run
    recorded = load_run(run.path)
    assert recorded.meta["profile"]["name"] == "footplate trainer"
    times_s = recorded.column("time_s")
    assert times_s[0] < begun_s and times_s[-1] > last_s - 1.0
    assert not list(bench.link_directory.glob("recent-*"))


def test_a_rig_host_that_dies_without_power_leaves_no_trip(tmp_path) -> None:
    with start_bench("footplate_trainer", BenchOptions(runs_directory=tmp_path)) as bench:
        for name in ("recorder", "host"):
            bench.processes[name].send_signal(signal.SIGKILL)
    assert not list_runs(tmp_path)
