"""A rig host that is held up: what the drive receives when the host continues."""

from __future__ import annotations

import contextlib
import itertools
import shutil
import signal
import time
from pathlib import Path

import can
import pytest

from drivers.base import PowerStage
from hil.core.limits import ALWAYS_CATEGORY_0, CHOSEN, Cause
from hil.core.requests import Apply, HoldPosition, PowerOn, Reset
from hil.core.samples import INDEX
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client, Refused
from hil.profile.loader import find_profile, load_profile

pytestmark = pytest.mark.real_time

SYNC, RPDO_1, EMCY = 0x80, 0x205, 0x85
ENABLE_VOLTAGE = 0x02
HELD_UP_S = 0.25
PATIENCE_S = 10.0


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The demo rig, whose drive tolerates a longer silence than the host's pause."""
    shipped = Path(find_profile("footplate_trainer"))
    tmp_path = tmp_path_factory.mktemp("late")
    folder = shutil.copytree(shipped.parent, tmp_path / "profiles")
    drive = folder / "drives" / "bench_cia402.yaml"
    text = drive.read_text().replace("host_loss: 15 ms", "host_loss: 900 ms")
    drive.write_text(text + "drive_loss: 1 s\n")
    profile = folder / shipped.name
    text = profile.read_text()
    profile.write_text(text.replace("control_heartbeat: 150 ms", "control_heartbeat: 2 s"))
    with start_bench(
        profile, BenchOptions(runs_directory=tmp_path / "runs", recorder=False)
    ) as bench:
        yield bench


def until(client: Client, power: PowerStage, seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for item in client.poll():
            if hasattr(item, "rows") and item.rows[-1, INDEX["power_stage"]] == power:
                return
        time.sleep(0.01)
    raise AssertionError(f"power stage not {power.name}")


def events(client: Client, seconds: float) -> list[dict]:
    heard: list[dict] = []
    end = time.monotonic() + seconds
    while time.monotonic() < end or not heard:
        heard += [item for item in client.poll() if not hasattr(item, "rows")]
        time.sleep(0.01)
    return [item for item in heard if item["kind"] in ("stop", "heartbeat")]


def stop_of(client: Client) -> dict:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        for item in client.poll():
            if not hasattr(item, "rows") and item["kind"] == "stop":
                return item
        time.sleep(0.01)
    raise AssertionError("no stop")


def heard(wire: can.BusABC, seconds: float) -> list[can.Message]:
    frames = []
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        frame = wire.recv(left)
        if frame is not None:
            frames.append(frame)
    return frames


def test_without_power_a_pause_stops_nothing(bench):
    with Client.connect(bench.link_directory, name="test") as client:
        bench.processes["host"].send_signal(signal.SIGSTOP)
        time.sleep(HELD_UP_S)
        bench.processes["host"].send_signal(signal.SIGCONT)
        seen = events(client, 1.5)
    assert {item["state"] for item in seen if item["kind"] == "heartbeat"} == {"DE_ENERGISED"}
    assert not [item for item in seen if item["kind"] == "stop"]


def test_the_first_command_after_a_pause_removes_power(bench):
    channel = str(bench.link_directory / "can.sock")
    with Client.connect(bench.link_directory, name="test") as client:
        client.take_control()
        with contextlib.suppress(Refused):
            client.request(Reset())  # after the stop of a failed first try
        time.sleep(0.3)  # the supply's filter settles
        client.request(PowerOn(load_supported=True))
        until(client, PowerStage.ON)
        client.request(Apply(behaviour=HoldPosition(position_m=0.01, speed_m_s=0.03)))
        time.sleep(0.3)
        with can.Bus(interface="local_socket", channel=channel) as wire:
            frames = heard(wire, 0.1)
            bench.processes["host"].send_signal(signal.SIGSTOP)
            frames += heard(wire, HELD_UP_S)
            bench.processes["host"].send_signal(signal.SIGCONT)
            frames += heard(wire, 0.2)
        assert EMCY not in [frame.arbitration_id for frame in frames], "the drive's own watch acted"
        stop = stop_of(client)
    commands = [frame.data for frame in frames if frame.arbitration_id == RPDO_1]
    on = [bool(data[0] & ENABLE_VOLTAGE) for data in commands]
    # Under power up to the pause; from the first command after it, never again.
    assert on[0] and not on[-1] and on == sorted(on, reverse=True)
    syncs = [k for k, frame in enumerate(frames) if frame.arbitration_id == SYNC]
    silence_s, resumed = max(
        (frames[k].timestamp - frames[j].timestamp, k) for j, k in itertools.pairwise(syncs)
    )
    assert silence_s > 0.8 * HELD_UP_S
    after = [frame for frame in frames[resumed:] if frame.arbitration_id == RPDO_1]
    assert not after[0].data[0] & ENABLE_VOLTAGE and after[0].data[3:5] == b"\0\0"
    assert stop["code"] == Cause.CYCLE_LATE and stop["trip"] and stop["category"] == 0
    assert "late, above 90 ms" in stop["detail"]


def test_the_limit_is_that_of_a_stale_sample_unless_it_is_written():
    limits = load_profile("footplate_trainer").limits
    assert limits.most_cycle_late == limits.cycle_late == pytest.approx(0.013)
    assert limits.model_copy(update={"cycle_late": None}).most_cycle_late == limits.telemetry_age
    assert Cause.CYCLE_LATE in ALWAYS_CATEGORY_0 and Cause.CYCLE_LATE not in CHOSEN
