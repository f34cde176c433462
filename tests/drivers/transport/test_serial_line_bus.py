"""Serial-line adapters: frames, answers, refusals, garbage, loss, and the stock reader as a peer."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Iterator
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import DriverError
from drivers.transport.can_bus import open_bus
from drivers.transport.serial_line_bus import SerialLineBus
from drivers.transport.serial_line_frames import frame_line, line_frame
from tests.drivers.transport.serial_line_adapter import Adapter

pytestmark = pytest.mark.real_time

SOUND = b"t1232AABB\r"


@pytest.fixture
def pair() -> Iterator[tuple[SerialLineBus, Adapter]]:
    with Adapter() as adapter:
        bus = open_bus("serial_line", adapter.path, {"bitrate": 500_000})
        assert isinstance(bus, SerialLineBus)
        yield bus, adapter
        bus.shutdown()


def received(bus: can.BusABC, count: int) -> list[can.Message]:
    frames: list[can.Message] = []
    until = time.monotonic() + 5.0
    while len(frames) < count and time.monotonic() < until:
        frame = bus.recv(0.1)
        if frame is not None:
            frames.append(frame)
    return frames


frames = st.builds(
    lambda extended, identifier, remote, data: can.Message(
        arbitration_id=identifier & (0x1FFFFFFF if extended else 0x7FF),
        is_extended_id=extended,
        is_remote_frame=remote,
        dlc=len(data),
        data=None if remote else data,
    ),
    st.booleans(),
    st.integers(0, 0x1FFFFFFF),
    st.booleans(),
    st.binary(max_size=8),
)
flexible = st.builds(
    lambda extended, identifier, switched, size, fill: can.Message(
        arbitration_id=identifier & (0x1FFFFFFF if extended else 0x7FF),
        is_extended_id=extended,
        is_fd=True,
        bitrate_switch=switched,
        data=bytes((fill,)) * size,
    ),
    st.booleans(),
    st.integers(0, 0x1FFFFFFF),
    st.booleans(),
    st.sampled_from((0, 8, 12, 16, 20, 24, 32, 48, 64)),
    st.integers(0, 255),
)


@given(frames | flexible)
def test_a_frame_reads_back_as_it_was_written(frame: can.Message) -> None:
    line = frame_line(frame)
    assert line.endswith(b"\r") and line.count(b"\r") == 1
    read = line_frame(line[:-1], 1.5)
    assert read is not None
    assert read.equals(frame, timestamp_delta=None, check_channel=False)
    assert read.timestamp == 1.5
    # A frame with the adapter's own time stamp decodes alike.
    if not frame.is_remote_frame:
        stamped = line_frame(line[:-1] + b"1F3C", 1.5)
        assert stamped is not None and stamped.equals(read)


@given(st.binary(min_size=1, max_size=40))
def test_no_line_is_too_strange(line: bytes) -> None:
    line_frame(line, 0.0)


@given(frames, st.data())
def test_a_line_with_a_damaged_end_is_no_frame(frame: can.Message, data: st.DataObject) -> None:
    line = frame_line(frame)[:-1]
    cut = data.draw(st.integers(1, len(line) - 1))
    short = line_frame(line[:cut], 0.0)
    # Every cut is refused: only a time stamp may be missing, and this line has none.
    assert short is None
    assert line_frame(line + b"0", 0.0) is None
    assert line_frame(line[:-1] + b"_", 0.0) is None
    assert line_frame(line[:-1] + b" ", 0.0) is None


@pytest.mark.parametrize(
    "line",
    [
        b"t12",
        b"t8000",
        b"t1239" + b"00" * 9,
        b"T200000000",
        b"t1_32AABB",
        b"t+122AABB",
        b"t0x10",
        b"t1232AAB",
        b"t1232AABB0",
        b"\xff\xfe",
        b"q1232AABB",
    ],
)
def test_these_are_no_frames(line: bytes) -> None:
    assert line_frame(line, 0.0) is None


def test_the_stock_interface_understands_ours_and_we_its() -> None:
    """python-can's own slcan as an independent peer, through an adapter that echoes."""
    sent = [
        can.Message(arbitration_id=0x7FF, is_extended_id=False, data=bytes(range(8))),
        can.Message(arbitration_id=0x1ABCDEF0, is_extended_id=True, data=b"\x00\xff"),
        can.Message(arbitration_id=0x10, is_extended_id=False, is_remote_frame=True, dlc=4),
        can.Message(
            arbitration_id=0x22,
            is_extended_id=False,
            is_fd=True,
            bitrate_switch=True,
            data=bytes(24),
        ),
    ]
    with Adapter(echo=True) as adapter:
        both: tuple[tuple[str, dict[str, Any]], ...]
        both = (("slcan", {"sleep_after_open": 0}), ("serial_line", {}))
        for interface, options in both:
            bus = can.Bus(interface=interface, channel=adapter.path, bitrate=500_000, **options)
            for frame in sent:
                bus.send(frame)
            back = received(bus, len(sent))
            assert len(back) == len(sent)
            for read, frame in zip(back, sent, strict=True):
                assert read.equals(frame, timestamp_delta=None, check_channel=False)
            bus.shutdown()
        ours = [line for line in adapter.lines if line and line[:1] in b"tTrRbB"]
        assert ours[: len(sent)] == ours[len(sent) :]


def test_opening_sends_commands_and_never_an_empty_line(
    pair: tuple[SerialLineBus, Adapter],
) -> None:
    bus, adapter = pair
    assert adapter.lines == [b"C", b"C", b"S6", b"O"]
    assert bus.refused == 0
    bus.shutdown()
    bus.shutdown()
    until = time.monotonic() + 2.0
    while adapter.lines[-1] != b"C" and time.monotonic() < until:
        time.sleep(0.01)
    assert adapter.lines[-1] == b"C"
    assert b"" not in adapter.lines


def test_listening_only_and_the_rate_of_the_data() -> None:
    with Adapter() as adapter:
        bus = can.Bus(
            interface="serial_line",
            channel=f"{adapter.path}@921600",
            bitrate=1_000_000,
            data_bitrate=2_000_000,
            listen_only=True,
        )
        assert adapter.lines == [b"C", b"C", b"S8", b"Y2", b"L"]
        assert bus.protocol is can.CanProtocol.CAN_FD
        bus.shutdown()


def test_an_adapter_that_refuses_the_bit_rate_is_named() -> None:
    with Adapter(refuses=(b"S",)) as adapter, pytest.raises(DriverError, match="refuses 'S6'"):
        open_bus("serial_line", adapter.path, {"bitrate": 500_000})


def test_one_that_refuses_to_close_when_closed_is_sound() -> None:
    with Adapter(refuses=(b"C",)) as adapter:
        bus = can.Bus(interface="serial_line", channel=adapter.path, bitrate=125_000)
        adapter.say(SOUND)
        assert len(received(bus, 1)) == 1
        bus.shutdown()


def test_one_that_never_answers_is_sound() -> None:
    with Adapter(mute=True) as adapter:
        bus = can.Bus(interface="serial_line", channel=adapter.path)
        adapter.say(SOUND)
        assert len(received(bus, 1)) == 1
        bus.shutdown()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"bitrate": 123}, "choose one of"),
        ({"colour": 1}, "no option 'colour'"),
        ({"data_bitrate": 7}, "choose one of"),
    ],
)
def test_options_that_do_not_exist(options: dict[str, int], words: str) -> None:
    with Adapter() as adapter, pytest.raises(DriverError, match=words):
        open_bus("serial_line", adapter.path, options)


def test_no_port_is_reported_with_the_fix() -> None:
    with pytest.raises(DriverError, match="plugged in"):
        open_bus("serial_line", "/dev/there_is_none", {})


def test_garbage_costs_no_sound_frame(pair: tuple[SerialLineBus, Adapter]) -> None:
    bus, adapter = pair
    adapter.say(b"\xff\xfe\x80garbage\r" + SOUND + b"\a" + SOUND + b"t12\a" + SOUND)
    adapter.say(b"t1232AAB\r" + SOUND + b"z\r\r" + b"V1013\r" + SOUND)
    assert len(received(bus, 5)) == 5
    assert bus.malformed == 3
    assert bus.refused == 2
    assert bus.recv(0.05) is None


def test_an_endless_line_is_let_go_and_the_next_frame_read(
    pair: tuple[SerialLineBus, Adapter],
) -> None:
    bus, adapter = pair
    for _ in range(20):
        adapter.say(b"t" + b"0" * 400)
        assert bus.recv(0.005) is None
    assert len(bus._rest) < 500
    adapter.say(b"\r" + SOUND)
    assert len(received(bus, 1)) == 1
    assert bus.malformed == 1


def test_frames_in_pieces(pair: tuple[SerialLineBus, Adapter]) -> None:
    bus, adapter = pair
    for byte in SOUND:
        assert bus.recv(0.0) is None
        adapter.say(bytes((byte,)))
        time.sleep(0.002)
    assert len(received(bus, 1)) == 1
    assert bus.malformed == 0


@settings(max_examples=150)
@given(st.lists(st.binary(max_size=12) | st.just(SOUND), max_size=20), st.integers(1, 40))
def test_any_cut_of_the_stream_gives_the_same(parts: list[bytes], step: int) -> None:
    stream = b"".join(parts) + b"\r" + SOUND
    whole, pieces = bare(), bare()
    whole._take(stream, 0.0)
    for start in range(0, len(stream), step):
        pieces._take(stream[start : start + step], 0.0)
    assert [str(f) for f in whole._frames] == [str(f) for f in pieces._frames]
    assert (whole.malformed, whole.refused) == (pieces.malformed, pieces.refused)
    assert whole._frames[-1].arbitration_id == 0x123


def bare() -> SerialLineBus:
    """Return the part of the bus that cuts bytes into frames, without a port."""
    from collections import deque

    bus = SerialLineBus.__new__(SerialLineBus)
    bus._is_shutdown = True
    bus._frames, bus._rest, bus._skipping = deque(), b"", False
    bus.malformed = bus.refused = bus.acknowledged = 0
    return bus


def test_the_port_going_away_is_an_error(pair: tuple[SerialLineBus, Adapter]) -> None:
    bus, adapter = pair
    adapter.unplug()
    with pytest.raises(can.CanOperationError, match="port was lost"):
        for _ in range(5):
            bus.recv(0.1)
    with pytest.raises(can.CanOperationError, match="port was lost"):
        bus.send(can.Message(arbitration_id=1, data=b""))


def test_filters_are_kept_to(pair: tuple[SerialLineBus, Adapter]) -> None:
    bus, adapter = pair
    bus.set_filters([{"can_id": 0x200, "can_mask": 0x7FF, "extended": False}])
    adapter.say(SOUND + b"t2000\r" + SOUND)
    assert [f.arbitration_id for f in received(bus, 1)] == [0x200]
    assert bus.recv(0.05) is None
    assert bus.protocol is can.CanProtocol.CAN_20


def test_a_port_that_takes_nothing_is_reported(pair: tuple[SerialLineBus, Adapter]) -> None:
    bus, adapter = pair
    adapter._ending = True
    adapter._thread.join(2.0)
    frame = can.Message(arbitration_id=0x7FF, is_extended_id=False, data=bytes(8))
    with pytest.raises(can.CanOperationError, match="takes no more"):
        for _ in range(100_000):
            bus.send(frame)


def test_power_off_overtakes_old_commands_of_an_adapter_that_was_stuck() -> None:
    """The adapter stops reading for a second of commands; afterwards OFF is the next one received."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    threading.Thread(
        target=_answers, args=(master, opened := threading.Event()), daemon=True
    ).start()
    bus = SerialLineBus(os.ttyname(slave))
    opened.set()
    for torque in range(1000):  # far more than pseudo-terminal and kernel can hold
        with contextlib.suppress(can.CanOperationError):
            bus.send(
                can.Message(arbitration_id=0x205, is_extended_id=False, data=b"\x0f%7d" % torque)
            )
    with contextlib.suppress(can.CanOperationError):
        bus.send(can.Message(arbitration_id=0x205, is_extended_id=False, data=b"\x00off    "))
    come = _read_all(master)
    until = time.monotonic() + 5.0
    while not come.endswith(b"\r") or len(come.split(b"\r")) < 3 or b"006F6666" not in come:
        assert time.monotonic() < until, come[-80:]
        bus.recv(0.01)  # one cycle: pending bytes are sent
        come += _read_all(master)
    sent = [line_frame(line, 0.0) for line in come.split(b"\r") if line]
    assert len(sent) < 1000, "the port took them all: it was never stuck"
    data = [bytes(frame.data) for frame in sent if frame]
    assert data[-1] == b"\x00off    " and data.count(b"\x00off    ") == 1
    bus.shutdown()
    os.close(master)


def _answers(master: int, opened: threading.Event) -> None:
    while not opened.is_set():
        if select.select((master,), (), (), 0.01)[0]:
            os.write(master, b"\r" * os.read(master, 4096).count(b"\r"))


def _read_all(master: int) -> bytes:
    data = b""
    while select.select((master,), (), (), 0.1)[0]:
        data += os.read(master, 65536)
    return data
