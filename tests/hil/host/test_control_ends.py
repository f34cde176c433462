"""The end of control is a stop of the whole bench if power is on or coming on."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

from hil.core.limits import Cause
from hil.core.requests import Apply, Float, PowerOn, Reset
from hil.host.processes import BenchProcesses
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client, Event
from hil.link.errors import Refused

pytestmark = pytest.mark.real_time

PATIENCE_S = 10.0
ON = PowerOn(load_supported=True)


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    runs = tmp_path_factory.mktemp("runs")
    with start_bench("footplate_trainer", BenchOptions(runs_directory=runs)) as bench:
        yield bench


def seen(client: Client, wanted: Callable[[Event], bool]) -> Event:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        for item in client.poll():
            if isinstance(item, Event) and wanted(item):
                return item
        time.sleep(0.005)
    raise AssertionError("not seen")


def stop_of(client: Client) -> Event:
    return seen(client, lambda event: event.kind == "stop")


def state(client: Client, name: str) -> None:
    seen(client, lambda event: event.kind == "heartbeat" and event["state"] == name)


@pytest.mark.parametrize("while_coming_on", [True, False])
def test_whoever_leaves_with_power_on_or_coming_on_stops_the_bench(
    bench: BenchProcesses, while_coming_on: bool
) -> None:
    where = bench.link_directory
    with Client.connect(where, name="watcher") as watcher:
        with Client.connect(where, name="leaver") as leaver:
            leaver.take_control()
            leaver.request(Reset())
            leaver.request(ON)
            if not while_coming_on:
                state(leaver, "STANDBY")
        stop = stop_of(watcher)
        assert stop["code"] == Cause.CONTROL_RELEASED and "'leaver'" in stop["detail"]
        assert not stop["trip"]
        state(watcher, "STOPPED")
        time.sleep(0.3)
        state(watcher, "STOPPED")
        watcher.take_control()
        with pytest.raises(Refused, match="stopped"):
            watcher.request(ON)
        watcher.request(Reset())
        watcher.release_control()


def test_what_is_sent_together_with_a_stop_brings_no_power(bench: BenchProcesses) -> None:
    with Client.connect(bench.link_directory, name="hasty") as client:
        client.take_control()
        client.request(Reset())
        client.request(ON)
        state(client, "STANDBY")
        client.request(Apply(behaviour=Float()))
        numbers = [client.post(Reset()), client.post(ON), client.post_stop(), client.post(Reset())]
        numbers.append(client.post(ON))
        answers: dict[int, Any] = {}
        end = time.monotonic() + PATIENCE_S
        while len(answers) < len(numbers) and time.monotonic() < end:
            client.poll()
            answers |= {answer.number: answer for answer in client.answers()}
            time.sleep(0.005)
        assert [answers[number].accepted for number in numbers] == [False] * 2 + [True] + [
            False
        ] * 2
        state(client, "STOPPED")
