"""Speed of serial lines: the rate needed, the real rate of a port, and bytes that are held back."""

from __future__ import annotations

import os
import shutil
import tty
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from drivers.base import DriverError
from drivers.registry import find_protocol
from drivers.transport import Budgeting, BusOptions, CanLoad, FrameSize, PortOptions, SerialPort
from drivers.transport import serial_line_bus as adapters
from drivers.transport import serial_port as ports
from drivers.transport.line_speed import actual_baud, held_back_ms, wrong_speed
from drivers.transport.serial_line_frames import frame_line
from hil.profile import ProfileError, drive_options, load_profile
from hil.profile.loader import SHIPPED

PERIOD_S = 0.0005


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    near, end = os.openpty()
    tty.setraw(end)
    yield near, os.ttyname(end)
    os.close(near)
    os.close(end)


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("length", [0, 1, 8])
def test_a_frames_line_is_as_long_as_it_is_sent(length: int, extended: bool) -> None:
    sent = can.Message(arbitration_id=0x123, is_extended_id=extended, data=bytes(length))
    assert FrameSize(length, extended).line_bytes == len(frame_line(sent))


def test_an_adapters_line_is_part_of_the_budget_once_its_rate_is_stated() -> None:
    silent = BusOptions(interface="serial_line", channel="/dev/ttyUSB0", bitrate=1_000_000)
    for other in (silent, BusOptions(interface="socketcan", channel="can0", tty_baudrate=9600)):
        load = CanLoad(other)
        load.each_cycle(FrameSize(8), sent=True)
        assert len(load.budgets(PERIOD_S)) == 1
    stated = BusOptions(interface="serial_line", channel="/dev/ttyUSB0", tty_baudrate=1_000_000)
    in_channel = BusOptions(interface="serial_line", channel="/dev/ttyUSB0@1000000")
    for bus, key in ((stated, "bus.tty_baudrate"), (in_channel, "bus.channel")):
        load = CanLoad(bus)
        load.each_cycle(FrameSize(8), sent=True)
        load.each_cycle(FrameSize(6), sent=False)
        load.each_cycle(FrameSize(6), sent=False)
        _, there, back = load.budgets(PERIOD_S)
        assert there.key == back.key == key
        assert there.share == pytest.approx(22 * 10e-6 / PERIOD_S)
        assert back.share == pytest.approx((2 + 2 * 18) * 10e-6 / PERIOD_S)


@pytest.mark.parametrize(
    ("profile", "baud", "fits"),
    [
        ("treadle_can", 3_000_000, True),
        ("treadle_can", 1_000_000, True),
        ("treadle_can", 115_200, False),
        ("footplate_trainer", 3_000_000, True),
        ("footplate_trainer", 500_000, False),
    ],
)
def test_what_fits_at_1_kHz_is_known_beforehand(profile: str, baud: int, fits: bool) -> None:
    options = drive_options(load_profile(profile))
    bus = BusOptions(interface="serial_line", channel="/dev/ttyUSB0", tty_baudrate=baud)
    protocol = find_protocol(options.protocol)
    assert isinstance(protocol, Budgeting)
    budgets = protocol.budgets(options.model_copy(update={"bus": bus}), 0.001)
    assert (max(budget.share for budget in budgets) <= 0.95) == fits
    assert len(budgets) == 3


def test_a_profile_whose_adapters_line_is_too_slow_is_refused_at_its_key(tmp_path: Path) -> None:
    shutil.copytree(SHIPPED, tmp_path / "p")
    board = tmp_path / "p" / "drives" / "treadle_can.yaml"
    board.write_text(
        board.read_text().replace(
            "  interface: local_socket\n  channel: can.sock\n",
            "  interface: serial_line\n  channel: /dev/ttyUSB0\n  tty_baudrate: 115200\n",
        )
    )
    with pytest.raises(ProfileError, match=r"tty_baudrate.*lines to the adapter.*115200") as found:
        load_profile(tmp_path / "p" / "treadle_can.yaml")
    assert "set control.rate to" in str(found.value)


@pytest.mark.parametrize("baud", [115_200, 3_000_000, 2_750_000])
def test_a_port_runs_at_the_rate_of_its_profile(terminal: tuple[int, str], baud: int) -> None:
    near, path = terminal
    port = SerialPort(PortOptions(path=path, baud=baud))
    port.open()
    assert actual_baud(port._number) == baud
    os.write(near, b"answer")
    assert port.read() == b"answer"
    port.close()


def test_a_rate_that_the_hardware_lacks_is_one_clear_error(
    terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = terminal[1]
    assert wrong_speed(3_000_000, 3_050_000) == wrong_speed(3_000_000, None) == ""
    # A pseudo-terminal accepts any rate; this report imitates a coarse divider.
    for room in (ports, adapters):
        monkeypatch.setattr(room, "actual_baud", lambda _number: 2_000_000)
    with pytest.raises(DriverError, match=r"2000000 baud instead of 3000000.*Fix: set a rate"):
        SerialPort(PortOptions(path=path, baud=3_000_000)).open()
    with pytest.raises(can.CanInitializationError, match="2000000 baud instead of 3000000"):
        can.Bus(interface="serial_line", channel=path, tty_baudrate=3_000_000)


def test_bytes_that_an_adapter_holds_back_are_reported(tmp_path: Path) -> None:
    timer = tmp_path / "ttyX7" / "device" / "latency_timer"
    timer.parent.mkdir(parents=True)
    timer.write_text("16\n")
    link = tmp_path / "by-id"
    link.symlink_to("/dev/ttyX7")
    assert held_back_ms("/dev/ttyX7", tmp_path) == held_back_ms(str(link), tmp_path) == 16.0
    assert held_back_ms("/dev/ttyX8", tmp_path) is None
