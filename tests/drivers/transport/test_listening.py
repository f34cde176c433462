"""Listening to a board on a real bus: messages received and missing, and no command sent."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import pytest

from drivers.base import DriverError
from drivers.cia402.options import Cia402Options
from drivers.declared.can.messages import MessageWriter
from drivers.declared.can.options import DeclaredCanOptions
from drivers.registry import find_protocol
from drivers.transport.listening import Listenable, MessageStats

pytestmark = pytest.mark.real_time

CHECK = {"signal": "check", "polynomial": 0x1D, "init": 0xFF, "xor_out": 0xFF}


def described(path: str, poll: str | None = "ask") -> DeclaredCanOptions:
    byte = {"bits": 8}
    return DeclaredCanOptions.model_validate(
        {
            "bus": {"interface": "local_socket", "channel": path},
            "poll": poll,
            "messages": {
                "ask": {"id": 0x101, "length": 0},
                "demand": {
                    "id": 0x102,
                    "length": 2,
                    "signals": {"torque": {"start": 0, "bits": 16, "signed": True}},
                },
                "order": {"id": 0x103, "length": 1, "signals": {"action": {"start": 0, **byte}}},
                "heartbeat": {"id": 0x104, "length": 0},
                "state": {
                    "id": 0x201,
                    "length": 4,
                    **({} if poll else {"every": "5 ms"}),
                    "signals": {
                        "angle": {"start": 0, **byte},
                        "flags": {"start": 8, **byte},
                        "alive": {"start": 16, **byte},
                        "check": {"start": 24, **byte},
                    },
                    "counter": {"signal": "alive"},
                    "checksum": CHECK,
                },
                "silent": {
                    "id": 0x202,
                    "length": 1,
                    "every": "10 ms",
                    "signals": {"level": {"start": 0, **byte}},
                },
            },
            "gives": {
                "position": {"from": "state.angle", "scale": 0.5},
                "status": {"from": "state.flags"},
                "supply": {"from": "silent.level"},
            },
            "takes": {"torque": {"to": "demand.torque"}},
            "status": {"energised": {"mask": 1, "equals": 1}},
            "sequences": {
                "energise": [{"send": "order", "with": {"action": 1}}],
                "de_energise": [{"send": "order", "with": {"action": 0}}],
            },
            "heartbeat": {"send": "heartbeat", "every": "20 ms"},
            "host_loss": "100 ms",
            "rated_torque": "1 N*m",
            "peak_torque": "2 N*m",
        }
    )


class Board:
    """The other end of the bus: answers each poll and keeps the frames received."""

    def __init__(self, path: str, state: MessageWriter) -> None:
        self.bus = can.Bus(interface="local_socket", channel=path, role="hub")
        self.sent: list[can.Message] = []
        self.damage: set[int] = set()  # numbers of the answers with a wrong checksum
        self.leave_out: set[int] = set()
        self._state = state
        self._ending = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._ending:
            frame = self.bus.recv(0.01)
            if frame is None:
                continue
            self.sent.append(frame)
            if frame.arbitration_id == 0x101:
                number = len(self.sent)
                self._state.set("angle", 40.0)
                answer = self._state.build()
                if number in self.damage:
                    answer.data[0] ^= 0x10
                if number not in self.leave_out:
                    self.bus.send(answer)
                if number == 5:
                    self.bus.send(can.Message(arbitration_id=0x555, data=b"\x01\x02"))

    def close(self) -> None:
        self._ending = True
        self._thread.join(2.0)
        self.bus.shutdown()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    path = str(tmp_path / "can.sock")
    board = Board(path, MessageWriter(described(path).messages["state"]))
    yield board
    board.close()


def path_of(board: Board) -> str:
    return str(board.bus.channel_info).split()[-1]


def listened(options: DeclaredCanOptions, seconds: float, period_s: float = 0.005) -> Any:
    protocol = find_protocol("declared_can")
    assert isinstance(protocol, Listenable)
    (ear,) = protocol.bus_monitor(options, period_s)
    ear.open()
    try:
        ear.turn(time.monotonic() + seconds)
    finally:
        ear.close()
    return ear


def test_what_came_and_what_did_not(board: Board) -> None:
    board.damage, board.leave_out = {8, 9}, {12}
    ear = listened(described(path_of(board)), 0.5)
    stats = {stats.name: stats for stats in ear.declared}
    assert set(stats) == {"state", "silent"}  # our own transmissions are not expected
    state = stats["state"]
    assert state.count > 10
    assert state.values["position"] == (20.0, "rad")
    assert state.values["status"] == (0.0, "")
    assert set(state.values) == {"position", "status"}
    assert state.troubles["checksum failures"] == 2
    assert state.troubles["counter gaps"] >= 1
    assert state.rate_Hz > 20
    assert stats["silent"].count == 0
    (stranger,) = ear.undeclared.values()
    assert (stranger.what, stranger.count, stranger.last) == ("0x00000555", 1, b"\x01\x02")


def test_nothing_is_sent_but_the_poll(board: Board) -> None:
    listened(described(path_of(board)), 0.2)
    assert {frame.arbitration_id for frame in board.sent} == {0x101}
    board.sent.clear()
    silent = listened(described(path_of(board), poll=None), 0.2)
    assert silent.polling == ""
    assert board.sent == []


@pytest.mark.parametrize("poll", ["order", "demand", "heartbeat"])
def test_a_poll_that_orders_something_is_not_sent(board: Board, poll: str) -> None:
    ear = listened(described(path_of(board), poll=poll), 0.2)
    assert ear.polling == ""
    assert board.sent == []


def test_a_drive_of_cia_402_is_heard_and_reported_nothing(tmp_path: Path) -> None:
    path = str(tmp_path / "can.sock")
    options = Cia402Options.model_validate(
        {"bus": {"interface": "local_socket", "channel": path}, "node": 5}
    )
    protocol = find_protocol("cia402")
    assert isinstance(protocol, Listenable)
    with can.Bus(interface="local_socket", channel=path, role="hub") as hub:
        (ear,) = protocol.bus_monitor(options, 0.001)
        ear.open()
        assert hub.recv(0.05) is None
        for identifier, data in (
            (0x705, b"\x05"),
            (0x705, b"\x05\x00"),
            (0x85, b"\x10\x23\x00\x00\x00\x00\x00\x00"),
            (0x185, b"\x37\x02\x10\x00\x00\x00\xfe\xff"),
            (0x6FF, b""),
        ):
            hub.send(can.Message(arbitration_id=identifier, is_extended_id=False, data=data))
        ear.turn(time.monotonic() + 0.1)
        assert hub.recv(0.05) is None
        ear.close()
    stats = {stats.name: stats for stats in ear.declared}
    assert stats["heartbeat"].values == {"NMT state": (5.0, "")}
    assert stats["heartbeat"].troubles == {"malformed": 1}
    assert stats["EMCY"].note.startswith("continuous over current")
    assert stats["TPDO 1"].values == {
        "status word": (0x237, ""),
        "position": (16.0, "counts"),
        "torque": (-2.0, "per mille of rated"),
    }
    assert stats["TPDO 2"].count == 0 and "SYNC" in stats["TPDO 2"].note
    assert list(ear.undeclared) == ["0x6FF"]


def test_a_bus_that_goes_away_is_reported(tmp_path: Path) -> None:
    path = str(tmp_path / "can.sock")
    hub = can.Bus(interface="local_socket", channel=path, role="hub")
    protocol = find_protocol("declared_can")
    assert isinstance(protocol, Listenable)
    (ear,) = protocol.bus_monitor(described(path), 0.001)
    ear.open()
    hub.shutdown()
    with pytest.raises(DriverError, match="lost"):
        ear.turn(time.monotonic() + 0.5)
    ear.close()


def test_rate_and_spread_of_intervals() -> None:
    stats = MessageStats("a", "b", every_s=0.01)
    for now in (10.0, 10.01, 10.03, 10.04):
        stats.received(now)
    # Intervals 10, 20 and 10 ms: their mean is 13.3 ms, their standard deviation 5.77 ms.
    assert stats.rate_Hz == pytest.approx(75.0)
    assert stats.jitter_s == pytest.approx(5.7735e-3, rel=1e-4)
    data = stats.as_data(10.05)
    assert data["longest_interval_ms"] == pytest.approx(20.0)
    assert data["age_ms"] == pytest.approx(10.0)
    assert data["declared_rate_Hz"] == pytest.approx(100.0)
