"""Receptions timed by the kernel: the clock that maps the stamps, and the buses that carry them.

This kernel has no CAN sockets, so the SocketCAN bus reads a local socket instead: the stamps, their
ancillary data and the code that reads them are the same.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import can
import pytest
from can.interfaces.socketcan.socketcan import build_can_frame
from hypothesis import given
from hypothesis import strategies as st

from drivers.capture import WireRecorder, WireRecording, wires
from drivers.declared.can.board import CanBoard
from drivers.declared.can.messages import MessageWriter
from drivers.transport import StampClock, StampedFrame, open_bus
from drivers.transport.kernel_stamps import STEP_NS
from hil.profile import drive_options, load_profile

MS = 1_000_000
CLOCK_S = 200e-6  # permitted difference of two readings: twice the smallest step detected


class Clocks:
    """Monotonic and wall clock, in ns; a reading takes ``reading_ns``."""

    def __init__(self) -> None:
        self.now_ns = 5_000 * MS
        self.ahead_ns = 1_795_000_000_000 * MS
        self.readings_ns: list[int] = []

    def monotonic(self) -> int:
        self.now_ns += self.readings_ns.pop() if self.readings_ns else 50
        return self.now_ns

    def wall(self) -> int:
        return self.monotonic() + self.ahead_ns

    def stamp(self) -> int:
        return self.now_ns + self.ahead_ns


def made() -> tuple[Clocks, StampClock]:
    clocks = Clocks()
    return clocks, StampClock(clocks.monotonic, clocks.wall)


def test_a_packet_read_late_has_the_time_at_which_it_came() -> None:
    clocks, clock = made()
    clocks.now_ns += MS
    stamp, came_ns = clocks.stamp(), clocks.now_ns
    clocks.now_ns += 30 * MS
    assert clock.monotonic_s(stamp) == pytest.approx(1e-9 * came_ns, abs=1e-6)


@pytest.mark.parametrize("step_ms", [-3_600_000, -20, -1, 1, 20, 3_600_000])
def test_a_wall_clock_that_is_set_meanwhile_counts_as_no_stamp(step_ms: int) -> None:
    clocks, clock = made()
    first, second = clocks.stamp() + MS, clocks.stamp() + 2 * MS
    clocks.now_ns += 30 * MS
    clocks.ahead_ns += step_ms * MS
    for stamp in (first, second):  # both were waiting when the clock was set
        read_ns = clocks.now_ns
        assert 1e-9 * read_ns <= clock.monotonic_s(stamp) <= 1e-9 * clocks.now_ns
    clocks.now_ns += MS
    stamp, came_ns = clocks.stamp(), clocks.now_ns
    clocks.now_ns += 10 * MS
    assert clock.monotonic_s(stamp) == pytest.approx(1e-9 * came_ns, abs=1e-6)


def test_an_interruption_while_the_clocks_are_read_is_not_a_step() -> None:
    clocks, clock = made()
    clocks.now_ns += MS
    stamp, came_ns = clocks.stamp(), clocks.now_ns
    clocks.readings_ns = [50, 8 * MS, 50]  # a delay between the two clocks
    assert clock.monotonic_s(stamp) == pytest.approx(1e-9 * came_ns, abs=1e-6)


@given(
    st.lists(
        st.tuples(st.integers(0, 50 * MS), st.integers(0, 50 * MS), st.integers(-MS, MS)),
        max_size=20,
    )
)
def test_never_in_the_future_never_before_it_came_never_backwards(
    turns: list[tuple[int, int, int]],
) -> None:
    clocks, clock = made()
    last_s = 0.0
    for before, waited, step in turns:
        clocks.now_ns += before
        came_ns, stamp = clocks.now_ns, clocks.stamp()
        clocks.now_ns += waited
        clocks.ahead_ns += step
        found_s = clock.monotonic_s(stamp)
        # A step too small to be detected shifts a stamp by its own size.
        assert 1e-9 * came_ns - 101e-6 <= found_s <= 1e-9 * clocks.now_ns
        assert found_s >= last_s
        last_s = found_s


class Send:
    """Moment of a transmission, and whether the wall clock was set while its frame waited.

    A wall clock may be corrected in steps. A step makes the stamps of waiting frames
    useless: their time is then that of the reading, as a test above states.
    """

    def __init__(self) -> None:
        self.before_s = self.after_s = 0.0
        self._ahead_ns = 0

    def __enter__(self) -> Self:
        self._ahead_ns = self._wall_ahead_ns()
        self.before_s = time.monotonic()
        return self

    def __exit__(self, *_: object) -> None:
        self.after_s = time.monotonic()

    def holds(self, received_s: float) -> bool:
        """Return whether this is the frame's time; it has been read just now."""
        step_ns = abs(self._wall_ahead_ns() - self._ahead_ns)
        latest_s = self.after_s if step_ns < STEP_NS // 2 else time.monotonic()
        return self.before_s - CLOCK_S <= received_s <= latest_s + CLOCK_S

    @staticmethod
    def _wall_ahead_ns() -> int:
        """Return the difference of both clocks by the quickest of several readings."""
        found = []
        for _ in range(20):
            before = time.monotonic_ns()
            wall = time.time_ns()
            after = time.monotonic_ns()
            found.append((after - before, wall - (before + after) // 2))
        return min(found)[1]


def message() -> can.Message:
    return can.Message(arbitration_id=0x321, is_extended_id=False, data=b"\x01\x02")


@pytest.fixture
def ends(tmp_path: Path) -> Iterator[tuple[can.BusABC, can.BusABC]]:
    path = str(tmp_path / "can.sock")
    hub = open_bus("local_socket", path, {"role": "hub"})
    member = open_bus("local_socket", path, {"stamps": True})
    assert hub.recv(0.05) is None
    yield hub, member
    member.shutdown()
    hub.shutdown()


def test_a_delayed_reader_learns_when_the_frame_came(ends: tuple[can.BusABC, can.BusABC]) -> None:
    hub, member = ends
    with Send() as send:
        hub.send(message())
    time.sleep(0.02)
    frame = member.recv(0.0)
    assert isinstance(frame, StampedFrame)
    assert send.holds(frame.received_s)
    assert wires.received_at(frame) == frame.received_s


def test_a_recording_has_the_kernels_times(
    ends: tuple[can.BusABC, can.BusABC], tmp_path: Path
) -> None:
    hub, member = ends
    recorder = WireRecorder(tmp_path / "wires")
    recorder.tap_bus(member, "bus")
    recorder.cycle(1)
    with Send() as send:
        hub.send(message())
    time.sleep(0.02)
    frame = member.recv(0.0)
    noted_s = recorder.received_at(frame)
    recorder.close()
    assert send.holds(noted_s)
    recording = WireRecording(tmp_path / "wires")
    bus = recording.bus()
    recording.begin_cycle()
    assert bus.recv(0.0) is not None
    assert recording.received_at() == noted_s


def test_a_described_boards_sample_has_the_kernels_time(tmp_path: Path) -> None:
    path = str(tmp_path / "can.sock")
    options = drive_options(load_profile("treadle_can"))
    bus = options.bus.model_copy(
        update={"interface": "local_socket", "channel": path, "stamps": True, "bitrate": None}
    )
    with can.Bus(interface="local_socket", channel=path, role="hub") as hub:
        board = CanBoard(options.model_copy(update={"bus": bus}))
        board.open()
        assert hub.recv(0.05) is None
        motion = MessageWriter(options.messages["MOTION"])
        with Send() as send:
            hub.send(motion.build())
        time.sleep(0.02)
        board.poll(0.0)
        board.close()
    assert send.holds(board.values["position"].time_s)


@pytest.fixture
def socketcan(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[socket.socket, can.BusABC]]:
    far, near = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    place = "can.interfaces.socketcan.socketcan"
    monkeypatch.setattr(f"{place}.create_socket", lambda: near)
    monkeypatch.setattr(f"{place}.bind_socket", lambda _socket, _channel: None)
    bus = open_bus("socketcan", "can0", {"fd": True})
    bus.set_filters(None)
    yield far, bus
    bus.shutdown()
    far.close()


KINDS: list[dict[str, Any]] = [
    {"arbitration_id": 0x181, "is_extended_id": False, "data": b"\x01\x02\x03"},
    {"arbitration_id": 0x1234567, "is_extended_id": True, "data": bytes(8)},
    {"arbitration_id": 0x7FF, "is_extended_id": False, "is_remote_frame": True, "dlc": 4},
    {"arbitration_id": 0x20000004, "is_error_frame": True, "data": bytes(8)},
    {"arbitration_id": 0x55, "is_fd": True, "bitrate_switch": True, "data": bytes(range(64))},
]


@pytest.mark.parametrize("kind", KINDS)
def test_socketcan_frames_come_as_they_were_sent_and_go_as_they_came(
    socketcan: tuple[socket.socket, can.BusABC], kind: dict[str, Any]
) -> None:
    far, bus = socketcan
    sent = can.Message(**kind)
    with Send() as send:
        far.send(build_can_frame(sent))
    time.sleep(0.005)
    got = bus.recv(0.0)
    assert isinstance(got, StampedFrame)
    if sent.is_error_frame:
        assert got.is_error_frame and got.data == sent.data
    else:
        assert got.equals(sent, timestamp_delta=None, check_channel=False, check_direction=False)
        bus.send(got)
        assert far.recv(100) == build_can_frame(sent)
    assert send.holds(got.received_s)
    assert bus.recv(0.0) is None
    assert bus.recv(0.001) is None


def test_a_socketcan_interface_that_is_gone_is_reported(
    socketcan: tuple[socket.socket, can.BusABC],
) -> None:
    far, bus = socketcan
    far.close()
    with pytest.raises(can.CanOperationError, match="can0"):
        bus.recv(0.1)
    with pytest.raises(can.CanOperationError, match="frame not sent"):
        bus.send(message())


def test_a_full_queue_is_an_error_and_no_wait(socketcan: tuple[socket.socket, can.BusABC]) -> None:
    bus = socketcan[1]
    with pytest.raises(can.CanOperationError, match="frame not sent"):
        for _ in range(100_000):
            bus.send(message())
