"""Described serial boards and combined devices against the simulated rig, over real wires."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from drivers.base import Command, DriverError, PowerRequest, PowerStage
from drivers.declared.combined.drive import AnswerTime, _Device
from drivers.declared.combined.options import interval_s
from drivers.declared.combined.simulated import SharedCore
from drivers.declared.common.board import Counters
from drivers.declared.common.device_clock import AHEAD_S, DeviceClock
from drivers.declared.serial import frame_codec
from drivers.registry import find_protocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from drivers.transport.serial_port import PortOptions, SerialPort
from tests.drivers.declared.declared_rig import (
    ON,
    PATIENCE_S,
    PERIOD_S,
    cycle,
    cycles,
    options_of,
    patient,
    through_its_life,
)

pytestmark = pytest.mark.real_time


@pytest.mark.parametrize("wire", ["board.sock", "board.tty"])
def test_a_line_board_through_its_life(tmp_path: Path, far: Any, wire: str) -> None:
    """Test over a local socket, which the bench uses, and over a pseudo-terminal."""
    port = {"path": str(tmp_path / wire), "baud": 1_000_000}
    options = patient(options_of("treadle_lines", tmp_path, port=port))
    core = SimulatedDriveCore(RigParameters(), 1)
    board = far(options, core)
    drive: Any = find_protocol("declared_lines").make(options, PERIOD_S)
    through_its_life(drive, core)
    assert drive.telemetry.supply_A == pytest.approx(core.supply_A, abs=1.0)
    counters = drive.board.counters
    assert (counters.malformed, counters.checksum_failures) == (0, 0)
    # The board goes away with power on: it is lost, and later frames do not bring it back.
    cycle(drive, ON, lambda: drive.telemetry.power is PowerStage.ON)
    board.end()
    cycle(drive, ON, lambda: bool(drive.telemetry.lost))
    assert "treadle line board" in drive.telemetry.lost or wire in drive.telemetry.lost
    core.request_power(PowerRequest.OFF)
    far(options, core)
    cycles(drive, ON, 0.1)
    assert drive.telemetry.lost and core.power is PowerStage.OFF
    drive.close()
    again = find_protocol("declared_lines").make(options, PERIOD_S)
    again.open()
    cycles(again, Command(), 0.05)
    assert core.power is PowerStage.OFF and not again.telemetry.lost
    again.close()


def test_a_line_board_stops_when_its_host_falls_silent(tmp_path: Path, far: Any) -> None:
    options = options_of("treadle_lines", tmp_path)
    core = SimulatedDriveCore(RigParameters(), 1)
    far(options, core)
    drive: Any = find_protocol("declared_lines").make(options, PERIOD_S)
    drive.open()
    cycle(drive, ON, lambda: drive.telemetry.power is PowerStage.ON)
    silent = Command(power=PowerRequest.ON, heartbeat=False)
    cycle(drive, silent, lambda: drive.telemetry.power is PowerStage.FAULT)
    # The reason comes in a line that is sent less often.
    cycle(drive, silent, lambda: "silent" in drive.telemetry.fault_text)
    drive.close()


def test_two_devices_through_their_life(tmp_path: Path, far: Any) -> None:
    options = options_of("treadle_frames", tmp_path)
    members = options.members | {"motor": patient(options.members["motor"])}
    options = options.model_copy(update={"members": members})
    core = SimulatedDriveCore(RigParameters(), 1)
    far(options, core)
    drive: Any = find_protocol("combined").make(options, PERIOD_S)
    through_its_life(drive, core)
    assert drive.telemetry.deflection_age_s < 1.0
    assert -0.005 < drive.shift_s < 0.005
    assert drive.capabilities.identity == "treadle board + treadle probe"
    drive.close()


@pytest.mark.parametrize("name", ["motor", "probe"])
def test_either_device_lost_stops_the_other(tmp_path: Path, far: Any, name: str) -> None:
    options = options_of("treadle_frames", tmp_path)
    core = SimulatedDriveCore(RigParameters(), 1)
    shared = SharedCore(core)
    ends = {member: far(options.members[member], shared) for member in options.members}
    drive: Any = find_protocol("combined").make(options, PERIOD_S)
    drive.open()
    cycle(drive, ON, lambda: drive.telemetry.power is PowerStage.ON)
    ends[name].end()
    cycle(drive, ON, lambda: bool(drive.telemetry.lost))
    assert drive.telemetry.lost.startswith(f"{name}: ")
    if name == "probe":
        # The motor still receives: it is commanded off although power is still requested.
        cycle(drive, ON, lambda: core.power is PowerStage.OFF)
    drive.close()


def test_after_a_pause_a_sensor_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pause of the bench held up the wire as well: the read waits for the next frame."""
    path = str(tmp_path / "probe.sock")
    server = socket.socket(socket.AF_UNIX)
    server.bind(path)
    server.listen()
    options = options_of("treadle_frames", tmp_path).members["probe"]
    options = options.model_copy(update={"port": PortOptions(path=path)})
    codec = frame_codec.board_codec(options, Counters())
    drive: Any = find_protocol("declared_frames").make(options, PERIOD_S)
    drive.board.open()
    far_end, _ = server.accept()

    def send(count: int) -> None:
        codec.set("sample", "count", count)
        codec.set("sample", "stamp", int(1e6 * time.monotonic()) % (1 << 32))
        codec.set("sample", "deflection", count)
        far_end.send(codec.build("sample"))

    device = _Device("probe", drive, False, None)
    send(1)
    time.sleep(0.01)
    device.read(time.monotonic() + PERIOD_S)
    assert device.telemetry.deflection_counts == 1
    time.sleep(1.5 * options.silence)
    late = threading.Timer(0.01, send, (2,))
    late.start()
    device.read(time.monotonic() + PATIENCE_S)
    assert (device.telemetry.deflection_counts, device.telemetry.lost) == (2, "")
    late.join()
    # A sensor with rare frames is not waited for: the cycle would be late.
    asked: list[float] = []
    monkeypatch.setattr(drive, "read", lambda until: asked.append(until) or drive.telemetry)
    for interval, waited in ((0.0, True), (0.05, False)):
        other = _Device("probe", drive, False, None, interval)
        drive.telemetry.time_s = time.monotonic() - 0.02
        other.read(1e12)
        assert (asked.pop() == 1e12) is waited
    monkeypatch.undo()
    assert interval_s(options) == 0.001
    # A sensor that stays silent is lost.
    time.sleep(1.5 * options.silence)
    device.read(time.monotonic() + PERIOD_S)
    assert "silent" in device.telemetry.lost
    drive.board.close()
    far_end.close()
    server.close()


def test_a_sensor_that_stands_still_in_its_own_time_grows_old(tmp_path: Path, far: Any) -> None:
    """Frames continue but the board's stamp stands still: the value is as old as its stamp."""
    options = options_of("treadle_frames", tmp_path).members["probe"]
    core = SimulatedDriveCore(RigParameters(), 1)
    far(options, core)
    drive: Any = find_protocol("declared_frames").make(options, PERIOD_S)
    drive.open()
    cycles(drive, Command(), 0.1)
    stuck = drive.board._codec.feed
    stamps: list[float] = []

    def feed(chunk: bytes) -> list[Any]:
        frames = stuck(chunk)
        stamps.extend(values[1] for _, values in frames)
        return [(name, (v[0], stamps[0], v[2])) for name, v in frames]

    drive.board._codec.feed = feed
    cycle(drive, Command(), lambda: drive.telemetry.deflection_age_s > 0.1)
    assert not drive.telemetry.lost
    drive.close()


def test_a_port_that_is_not_there_says_where_and_what_to_do(tmp_path: Path) -> None:
    for port, words in (
        ({"path": str(tmp_path / "none")}, ("none", "check drive.port.path")),
        ({"usb": {"vendor_id": 0x1, "product_id": 0x2}}, ("0001:0002", "not plugged in")),
    ):
        with pytest.raises(DriverError) as caught:
            SerialPort(PortOptions.model_validate(port)).open()
        assert all(word in str(caught.value) for word in words)


def test_a_terminal_in_use_is_not_opened_twice(tmp_path: Path) -> None:
    near, end = os.openpty()
    options = PortOptions(path=os.ttyname(end))
    first, second = SerialPort(options), SerialPort(options)
    first.open()
    with pytest.raises(DriverError, match="another program"):
        second.open()
    os.write(near, b"abc")
    assert first.read(time.monotonic() + PATIENCE_S) == b"abc"
    first.write(b"de")
    assert os.read(near, 10) == b"de"
    os.close(near)
    os.close(end)
    with pytest.raises(DriverError, match="lost"):
        first.read(time.monotonic() + PATIENCE_S)
    first.close()
    with pytest.raises(DriverError, match="not open"):
        first.read()


def test_a_clock_of_its_own_takes_out_the_jitter_of_reception() -> None:
    clock = DeviceClock(1e-6, 1 << 16)  # wraps every 65 ms
    drift, latency = 50e-6, 0.0007
    errors = []
    for i in range(5000):
        true = 100.0 + 0.001 * i
        jitter = 0.003 if i % 7 else 0.0
        count = int((true * (1 + drift) + 3.0) * 1e6) % (1 << 16)
        received = true + latency + jitter
        measured = clock.measured_s(count, received)
        assert measured <= received
        errors.append(measured - (true + latency))
    assert max(map(abs, errors[10:])) < 20e-6


def test_a_clock_that_begins_anew_is_believed_at_once() -> None:
    clock = DeviceClock(1e-3, 1 << 32)
    for i in range(100):
        clock.measured_s(5_000_000 + i, 10.0 + 1e-3 * i)
    assert clock.measured_s(3, 10.2) == 10.2
    assert clock.measured_s(4, 10.201) == pytest.approx(10.201, abs=1e-4)
    ahead = clock.measured_s(4 + round(2e3 * AHEAD_S), 10.202)
    assert ahead <= 10.202


def test_the_shortest_answer_is_kept_for_a_while() -> None:
    times = AnswerTime()
    assert times.half_s == 0.0
    for i in range(400):
        times.add(0.0004 if i == 3 else 0.001)
        times.add(-0.5)  # received before it was requested: not an answer
    assert times.half_s == pytest.approx(0.0002)
    for _ in range(1200):
        times.add(0.001)
    assert times.half_s == pytest.approx(0.0005)


def test_a_late_answer_does_not_put_every_later_one_behind(tmp_path: Path) -> None:
    """The board numbers the requests and is late with one answer; later answers are still in step."""
    path = tmp_path / "board.sock"
    options = find_protocol("declared_lines").options.model_validate(
        {
            "port": {"path": str(path)},
            "commands": {"ask": "?"},
            "poll": "ask",
            "lines": {"answer": {"starts": "=", "fields": ["number"]}},
            "gives": {"deflection": {"from": "answer.number"}},
            "silence": "5 s",
        }
    )
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(path))
    listener.listen()
    asked = 0

    def answer() -> None:
        nonlocal asked
        host = listener.accept()[0]
        while chunk := host.recv(100):
            for _ in range(chunk.count(b"?")):
                asked += 1
                time.sleep(0.1 if asked == 5 else 0.003)
                with contextlib.suppress(OSError):
                    host.send(f"={asked}\n".encode())

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    drive: Any = find_protocol("declared_lines").make(options, PERIOD_S)
    drive.open()
    behind = []
    for _ in range(40):
        telemetry = drive.read(time.monotonic() + 0.03)
        behind.append(asked - telemetry.deflection_counts)
        if behind[-1]:
            time.sleep(0.1)  # until the late answer has come and waits
    assert max(behind) >= 1
    assert behind[-20:].count(0) >= 15
    drive.close()
    thread.join(PATIENCE_S)
    listener.close()
