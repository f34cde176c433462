"""Power-off is not queued behind old commands when the peer has stopped reading for a while.

CAN over a serial line has its own test (``test_serial_line_bus.py``). The queue of a SocketCAN
interface is in the kernel; no computer that runs these tests has such an interface.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import can
import pytest

from drivers.base import DriverError
from drivers.transport import PortOptions, SerialPort, serial_port

CYCLES = 3000
PERIOD_S = 0.001
OFF = b"OFF .............\n"


def command(cycle: int) -> bytes:
    return b"ON  torque %05d\n" % cycle


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(serial_port, "time", SimpleNamespace(monotonic=clock.monotonic))
    return clock


def stuck_for_a_while(port: SerialPort, clock: Clock, take: Callable[[], bytes]) -> list[bytes]:
    """Cycle without a reader, request power-off, then read; return the messages received."""

    def write(data: bytes) -> None:
        clock.now_s += PERIOD_S
        with contextlib.suppress(DriverError):  # the drive is lost by then; OFF is still sent
            port.write(data)

    for cycle in range(CYCLES):
        write(command(cycle))
    write(OFF)
    come = b""
    for _ in range(400):
        come += take()
        write(OFF)
    come += take()
    return come.splitlines(keepends=True)


@pytest.fixture
def local_socket(tmp_path: Path) -> Iterator[tuple[str, Callable[[], bytes]]]:
    path = str(tmp_path / "port.sock")
    server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    server.bind(path)
    server.listen(1)
    ends: list[socket.socket] = []

    def take() -> bytes:
        if not ends:
            ends.append(server.accept()[0])
            ends[0].setblocking(False)
        with contextlib.suppress(BlockingIOError):
            return ends[0].recv(1 << 20)
        return b""

    yield path, take
    for end in (*ends, server):
        end.close()


def test_over_a_local_socket_some_milliseconds_of_old_commands_come_and_then_off(
    local_socket: tuple[str, Callable[[], bytes]], clock: Clock
) -> None:
    path, take = local_socket
    port = SerialPort(PortOptions(path=path))
    port.open()
    come = stuck_for_a_while(port, clock, take)
    port.close()
    first = come.index(OFF)
    assert first <= 150, f"{first} old commands came before power-off"
    assert set(come[first:]) == {OFF}
    assert all(line in (OFF, *map(command, range(CYCLES))) for line in come[:200])


def test_an_other_end_that_takes_nothing_for_long_is_reported(
    local_socket: tuple[str, Callable[[], bytes]], clock: Clock
) -> None:
    port = SerialPort(PortOptions(path=local_socket[0]))
    port.open()
    with pytest.raises(DriverError, match="takes no more bytes"):
        for cycle in range(CYCLES):
            clock.now_s += PERIOD_S
            port.write(command(cycle))
    port.close()


def test_over_a_terminal_off_is_the_next_whole_message_after_what_it_held(clock: Clock) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    port = SerialPort(PortOptions(path=os.ttyname(slave), baud=1_000_000))
    port.open()

    def take() -> bytes:
        return os.read(master, 65536) if select.select((master,), (), (), 0.0)[0] else b""

    try:
        # The port's clock would stand still while the port waits for room: a thread advances it.
        ending = threading.Event()
        ticking = threading.Thread(target=_tick, args=(clock, ending), daemon=True)
        ticking.start()
        come = stuck_for_a_while(port, clock, take)
        ending.set()
        ticking.join()
    finally:
        port.close()
        os.close(master)
        os.close(slave)
    first = come.index(OFF)
    assert first < CYCLES / 2 and come[-1] == OFF
    assert not [line for line in come[first:] if line.startswith(b"ON ") and len(line) == len(OFF)]


def _tick(clock: Clock, ending: threading.Event) -> None:
    while not ending.wait(0.0005):
        clock.now_s += 0.002


def test_on_the_local_bus_off_is_not_lost_behind_a_full_queue(tmp_path: Path) -> None:
    channel = str(tmp_path / "can.sock")
    with (
        can.Bus(interface="local_socket", channel=channel, role="hub") as hub,
        can.Bus(interface="local_socket", channel=channel) as host,
    ):
        for cycle in range(CYCLES):
            host.send(
                can.Message(arbitration_id=0x205, data=b"\x0f%7d" % cycle, is_extended_id=False)
            )
        off = can.Message(arbitration_id=0x205, data=b"\x00off    ", is_extended_id=False)
        come: list[bytes] = []
        for _ in range(400):
            host.send(off)
            while (frame := hub.recv(0.0)) is not None:
                come.append(bytes(frame.data))
        first = come.index(bytes(off.data))
        assert first < CYCLES / 2 and set(come[first:]) == {bytes(off.data)}
