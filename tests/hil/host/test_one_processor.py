"""On a computer with one processor the bench is slower, but works or states why it does not."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.core import State
from hil.core.requests import Apply, Float, PowerOn, Stop
from hil.host.processor_share import LOOK_S
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client
from hil.link.errors import Refused

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="the system does not tell"),
]

FLOAT_S = 1.0
PATIENCE_S = 5.0


@pytest.fixture
def one_processor() -> Iterator[None]:
    """Restrict this program and the processes that it starts to one processor."""
    given = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(given)})
    yield
    os.sched_setaffinity(0, given)


def follow(client: Client, seconds: float, until: State | None = None) -> list[str]:
    """Return the reported states; send heartbeats meanwhile."""
    states: list[str] = []
    end = time.monotonic() + seconds
    while time.monotonic() < end and (until is None or until.name not in states):
        client.heartbeat()
        for item in client.poll():
            if not hasattr(item, "rows") and item["kind"] == "heartbeat":
                states.append(item["state"])
        time.sleep(0.01)
    return states


def test_the_bench_works_on_one_processor_or_refuses_power_with_the_reason(
    tmp_path: Path, one_processor: None
) -> None:
    options = BenchOptions(runs_directory=tmp_path / "runs")
    with (
        start_bench("footplate_trainer", options) as bench,
        Client.connect(bench.link_directory, name="single") as client,
    ):
        client.take_control()
        follow(client, 2 * LOOK_S)  # long enough to measure the processor share
        try:
            client.request(PowerOn(load_supported=True))
        except Refused as refused:
            assert "one processor" in str(refused)
            return
        assert State.STANDBY.name in follow(client, PATIENCE_S, State.STANDBY)
        client.request(Apply(behaviour=Float()))
        assert State.RUNNING.name in follow(client, PATIENCE_S, State.RUNNING)
        assert set(follow(client, FLOAT_S)) == {State.RUNNING.name}
        client.request(Stop())
        assert State.STOPPED.name in follow(client, PATIENCE_S, State.STOPPED)
