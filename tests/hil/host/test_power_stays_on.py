"""Power that stays on, with frames on a bus: rig host, simulated drive, and the terminal."""

from __future__ import annotations

import time

import pytest

from drivers.base import PowerStage
from drivers.simulated import EnvironmentClient
from hil.core.requests import PowerOff, PowerOn
from hil.core.samples import INDEX
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client

pytestmark = pytest.mark.real_time


def until(client, met, seconds=8.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        client.heartbeat()
        for item in client.poll():
            if met(item):
                return item
        time.sleep(0.01)
    raise AssertionError("never came")


def event(kind, **match):
    return lambda item: (
        not hasattr(item, "rows")
        and item["kind"] == kind
        and all(item.get(key) == value for key, value in match.items())
    )


def shows_off(item):
    return hasattr(item, "rows") and item.rows[-1, INDEX["power_stage"]] == PowerStage.OFF


@pytest.mark.parametrize("stays", [0, 1, 2])
def test_power_never_seen_to_go_is_said_in_the_terminal(tmp_path, capfd, stays):
    with (
        start_bench(
            "footplate_trainer", BenchOptions(runs_directory=tmp_path, recorder=False)
        ) as bench,
        Client.connect(bench.link_directory, name="test") as client,
    ):
        client.take_control()
        client.request(PowerOn(load_supported=True))
        until(client, event("state", state="STANDBY"))
        environment = EnvironmentClient(f"ipc://{bench.link_directory / 'environment.ipc'}")
        try:
            environment.disturb("power_stays_on", stays)
            client.request(PowerOff())
            if stays:
                told = until(client, event("power_removal", still_on=True))
                assert "POWER IS STILL ON" in told["text"]
            else:
                until(client, shows_off)
        finally:
            environment.close()
    assert ("POWER IS STILL ON" in capfd.readouterr().err) == bool(stays)
