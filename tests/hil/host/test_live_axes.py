"""Two axes on one bus and one rig host, as real processes: frames, stops and records."""

from __future__ import annotations

import contextlib
import shutil
import socket
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import can
import pytest

from hil.core import Apply, Cause, HoldPosition, PowerOn, Reset, SessionCap
from hil.host import AxisOptions, BenchError, BenchOptions, start_axes
from hil.host.processes import BenchProcesses
from hil.link import ClientKeys, LinkError, links_of_axes, make_client_keys, make_server_keys
from hil.link.client import Client, Event
from hil.link.errors import Refused
from hil.profile import load_axes
from hil.recorder import list_runs

pytestmark = pytest.mark.real_time

PATIENCE_S = 10.0
ON = PowerOn(load_supported=True)
SYNC, COMMANDS, SAMPLES = 0x80, (0x205, 0x206), (0x185, 0x186)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchProcesses]:
    runs = tmp_path_factory.mktemp("runs")
    with start_axes(load_axes("two_axes"), BenchOptions(runs_directory=runs)) as bench:
        yield bench


@pytest.fixture
def both(bench: BenchProcesses) -> Iterator[dict[str, Client]]:
    clients = {name: Client.connect(at, name=name) for name, at in bench.axis_links.items()}
    try:
        for client in clients.values():
            client.take_control()
            client.request(Reset())
        yield clients
    finally:
        for client in clients.values():
            client.close()


def until(both: dict[str, Client], wanted: Callable[[str, Event], bool]) -> None:
    """Wait until every axis has sent a wanted event, and keep sending heartbeats."""
    left = set(both)
    end = time.monotonic() + PATIENCE_S
    while left:
        assert time.monotonic() < end, f"not seen on {left}"
        for name, client in both.items():
            client.heartbeat()
            for item in client.poll():
                if isinstance(item, Event) and wanted(name, item):
                    left.discard(name)
        time.sleep(0.005)


def states(both: dict[str, Client], **wanted: str) -> None:
    until(both, lambda name, event: event.get("state") == wanted.get(name, event.get("state")))


def test_one_sync_serves_both_drives(bench: BenchProcesses) -> None:
    counted: Counter[int] = Counter()
    wires = str(bench.axis_links["heel"] / "can.sock")
    with can.Bus(interface="local_socket", channel=wires) as listener:
        while counted[SYNC] < 100:
            frame = listener.recv(1.0)
            assert frame is not None
            counted[frame.arbitration_id] += 1
    for identifier in (*COMMANDS, *SAMPLES):
        assert 95 <= counted[identifier] <= 105, counted


def test_each_axis_says_which_it_is_and_has_its_own_profile(both: dict[str, Client]) -> None:
    for name, client in both.items():
        assert client.description["axis"] == name
        assert client.description["profile"]["name"].endswith(name)


def test_a_stop_of_one_stops_both_and_is_kept(
    bench: BenchProcesses, both: dict[str, Client]
) -> None:
    for client in both.values():
        client.request(ON)
    states(both, heel="STANDBY", toe="STANDBY")
    for client in both.values():
        client.request(Apply(behaviour=HoldPosition(position_m=0.02), load_may_move=True))
    states(both, heel="RUNNING", toe="RUNNING")
    both["toe"].stop("pressed in a test")
    stops: dict[str, Any] = {}

    def is_stop(name: str, event: Event) -> bool:
        if event.kind == "stop":
            stops[name] = event
        return event.kind == "stop"

    until(both, is_stop)
    assert stops["toe"]["code"] == Cause.OPERATOR
    assert stops["heel"]["code"] == Cause.OTHER_AXIS and stops["heel"]["trip"]
    assert "axis 'toe' stopped" in stops["heel"]["detail"]
    with pytest.raises(Refused, match="stopped"):
        both["heel"].request(ON)
    both["heel"].request(Reset())
    states(both, heel="DE_ENERGISED", toe="STOPPED")
    with pytest.raises(Refused, match="axis 'toe' is stopped"):
        both["heel"].request(ON)
    until_kept(bench.runs_directory, "heel")


def until_kept(runs: Path, name: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not any(
        run.trip == "Other axis" and run.name == f"trip {name}" for run in list_runs(runs)
    ):
        assert time.monotonic() < end, "no trip run of the axis that stopped with the other"
        time.sleep(0.05)


def test_a_client_of_one_axis_that_dies_stops_both(both: dict[str, Client]) -> None:
    for client in both.values():
        client.request(ON)
    states(both, heel="STANDBY", toe="STANDBY")
    dying = both.pop("toe")
    until(both, lambda name, event: event.kind == "stop" and event["code"] == Cause.OTHER_AXIS)
    dying.close()


def test_a_late_heartbeat_of_one_holder_stops_both(both: dict[str, Client]) -> None:
    for client in both.values():
        client.request(ON)
    states(both, heel="STANDBY", toe="STANDBY")
    for client in both.values():
        client.request(Apply(behaviour=HoldPosition(position_m=0.01), load_may_move=True))
    states(both, heel="RUNNING", toe="RUNNING")
    silent = both.pop("toe")  # it hangs: connected, but neither polls nor sends heartbeats
    stops: list[Event] = []

    def is_stop(name: str, event: Event) -> bool:
        stops.extend([event] if event.kind == "stop" else [])
        return event.kind == "stop"

    until(both, is_stop)
    assert stops[0]["code"] == Cause.OTHER_AXIS and "axis 'toe' stopped" in stops[0]["detail"]
    own = [item for item in silent.poll() if isinstance(item, Event) and item.kind == "stop"]
    assert [event["code"] for event in own] == [Cause.HEARTBEAT_LATE]
    silent.close()


def free_ports(count: int) -> int:
    """Return a port that, with those that follow it, is free now."""
    for _ in range(50):
        with contextlib.ExitStack() as stack, contextlib.suppress(OSError):
            first = stack.enter_context(socket.socket())
            first.bind(("127.0.0.1", 0))
            port = int(first.getsockname()[1])
            for more in range(1, count):
                stack.enter_context(socket.socket()).bind(("127.0.0.1", port + more))
            return port
    raise AssertionError("no free ports")


def test_each_axis_is_served_on_the_network_to_listed_clients_only(tmp_path: Path) -> None:
    make_server_keys(tmp_path / "server")
    make_client_keys(tmp_path / "mine", tmp_path / "server", "laptop")
    make_server_keys(tmp_path / "other")
    make_client_keys(tmp_path / "unlisted", tmp_path / "other", "stranger")
    shutil.copy(tmp_path / "mine" / "server.public", tmp_path / "unlisted" / "server.public")
    first = f"127.0.0.1:{free_ports(4)}"
    options = BenchOptions(
        runs_directory=tmp_path, recorder=False, tcp=first, keys=tmp_path / "server"
    )
    caps = {"toe": AxisOptions(cap=SessionCap(force_N=100.0))}
    axes = load_axes("two_axes")
    mine = ClientKeys.load(tmp_path / "mine")
    with start_axes(axes, options, caps) as bench, contextlib.ExitStack() as stack:
        links = links_of_axes(f"tcp://{first}", mine)
        assert list(links) == list(axes.profiles)
        toe = str(links["toe"])
        assert links_of_axes(toe, mine) == {}  # the address of a single axis
        with pytest.raises(LinkError, match="does not allow this client's key"):
            Client.connect(toe, keys=ClientKeys.load(tmp_path / "unlisted"), timeout_s=1.0)
        far = {
            axis: stack.enter_context(Client.connect(link, name=axis, keys=mine))
            for axis, link in links.items()
        }
        assert [client.description["axis"] for client in far.values()] == ["heel", "toe"]
        assert far["toe"].description["session_cap"]["force_N"] == 100.0
        assert not far["heel"].description.get("session_cap")
        near = stack.enter_context(Client.connect(bench.axis_links["heel"], name="near"))
        for client in far.values():
            client.take_control()
            stack.enter_context(client.keep_control())
        for client in far.values():
            client.request(ON)
        states(far, heel="STANDBY", toe="STANDBY")
        near.stop("pressed beside the rig")
        states(far, heel="STOPPED", toe="STOPPED")


def test_options_of_one_bench_are_refused(tmp_path: Path) -> None:
    options = BenchOptions(runs_directory=tmp_path, unverified="x")
    with pytest.raises(BenchError, match="'unverified' is not possible with several axes"):
        start_axes(load_axes("two_axes"), options)
