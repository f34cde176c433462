"""Wire traffic, written by another process and replayed."""

from __future__ import annotations

import json
import time
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import DriverError
from drivers.capture import wires
from drivers.capture.wire_log import WireRecorder
from drivers.capture.wire_replay import ReplayPort, WireRecording
from drivers.capture.wire_text import WireTextError, read_timed, timed_line
from drivers.transport.can_bus import open_bus

SENT = can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01\x02")
LONG = can.Message(arbitration_id=0x1ABCDEF0, is_extended_id=True, data=bytes(range(8)))
REMOTE = can.Message(arbitration_id=0x77, is_extended_id=False, is_remote_frame=True)
FLEXIBLE = can.Message(
    arbitration_id=0x55, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(24)
)


class Port:
    """Stand-in for an open serial port."""

    def __init__(self) -> None:
        self.waits = [b"S 1\r\n", b"", b'\xff"\\\x00']

    def read(self, until_s: float = 0.0) -> bytes:
        return self.waits.pop(0)

    def write(self, data: bytes) -> None:
        pass


def recorded(folder: Path) -> Path:
    """Record a bus and a port over three cycles."""
    recorder = WireRecorder(folder)
    name = f"wire {folder}"
    wires.record(recorder)
    bus = open_bus("virtual", name, {})
    wires.record(None)
    port = Port()
    recorder.tap_port(port, "probe")
    peer = can.Bus(interface="virtual", channel=name)
    bus.send(SENT)
    peer.send(LONG)
    assert bus.recv(1.0) is not None
    for cycle, frames in enumerate(([LONG, REMOTE], [], [FLEXIBLE]), 1):
        recorder.cycle(cycle)
        bus.send(SENT)
        port.write(b"?\n")
        for frame in frames:
            peer.send(frame)
        while bus.recv(0.0) is not None:
            pass
        port.read()
        recorder.note({"asked": {"kind": "tare"}, "in": cycle})
    recorder.close()
    assert recorder.lost == 0
    peer.shutdown()
    bus.shutdown()
    return folder


def test_the_log_is_what_other_tools_read(tmp_path: Path) -> None:
    folder = recorded(tmp_path)
    with can.LogReader(folder / "bus.log") as reader:
        frames = list(reader)
    directions = [frame.is_rx for frame in frames]
    assert directions == [False, True, False, True, True, False, False, True]
    expected = [SENT, LONG, SENT, LONG, REMOTE, SENT, SENT, FLEXIBLE]
    for frame, then in zip(frames, expected, strict=True):
        assert frame.equals(then, timestamp_delta=None, check_channel=False, check_direction=False)
    assert abs(frames[-1].timestamp - time.time()) < 60
    text = (folder / "serial.log").read_text().splitlines()
    assert [line.split(" ", 1)[1] for line in text] == [
        '> "?\\x0a"',
        '< "S 1\\x0d\\x0a"',
        '> "?\\x0a"',
        '> "?\\x0a"',
        '< "\\xff\\x22\\x5c\\x00"',
    ]


def test_each_cycle_gets_back_what_it_had(tmp_path: Path) -> None:
    recording = WireRecording(recorded(tmp_path) / "bus.log")
    wires.replay(recording)
    try:
        bus = open_bus("whatever the profile names", None, {})
        wires.replay(recording)
        port = recording.port()
        assert isinstance(port, ReplayPort)
        assert bus.recv(0.0) is None  # recorded after a transmission: replayed only after one
        bus.send(LONG)
        assert bus.recv(0.0) is None
        bus.send(SENT)
        assert bus.recv(0.0) is not None
        periods, frames, chunks, notes = [], [], [], []
        while (cycle := recording.begin_cycle()) is not None:
            periods.append(cycle.periods)
            notes += [note["in"] for note in cycle.notes]
            came = []
            assert bus.recv(0.0) is None  # recorded after a transmission: replayed only after one
            bus.send(SENT)
            while (frame := bus.recv(0.0)) is not None:
                came.append(frame.arbitration_id)
            frames.append(came)
            chunks.append(port.read())
    finally:
        wires.replay(None)
    assert periods == [1, 2, 3] == notes
    assert frames == [[LONG.arbitration_id, 0x77], [], [0x55]]
    assert chunks == [b"S 1\r\n", b"", b'\xff"\\\x00']


def told(bus: can.BusABC) -> list[float]:
    """Return the times that a drive reads in a cycle: now, each reception, now again."""
    times = [wires.now()]
    while bus.recv(0.0) is not None:
        times.append(wires.received_at())
    return [*times, wires.now()]


def test_the_times_come_again_to_the_last_bit(tmp_path: Path) -> None:
    recorder = WireRecorder(tmp_path)
    wires.record(recorder)
    bus = open_bus("virtual", "times", {})
    peer = can.Bus(interface="virtual", channel="times")
    try:
        then = []
        for frames in ([LONG, REMOTE], [], [FLEXIBLE]):
            recorder.cycle(1)
            for frame in frames:
                peer.send(frame)
            then.append(told(bus))
        assert wires.now() <= time.monotonic()  # in real time, rounded to whole microseconds
        assert time.monotonic() - wires.received_at() < 60
    finally:
        wires.record(None)
        recorder.close()
        peer.shutdown()
        bus.shutdown()
    assert [len(times) for times in then] == [4, 2, 3]
    recording = WireRecording(tmp_path)
    assert recording.timed
    wires.replay(recording, timed=True)
    try:
        bus = open_bus("whatever", None, {})
        again = []
        while recording.begin_cycle() is not None:
            again.append(told(bus))
        assert again == then
        assert wires.now() == wires.received_at()  # the replayed clock has stopped at the end
    finally:
        wires.replay(None)
    assert wires.now() > then[-1][-1]


def test_more_wires_than_were_recorded(tmp_path: Path) -> None:
    recording = WireRecording(recorded(tmp_path))
    recording.bus()
    recording.port()
    with pytest.raises(DriverError, match="2 wire"):
        recording.bus()


def test_no_recording_is_reported_with_the_fix(tmp_path: Path) -> None:
    with pytest.raises(DriverError, match="--log-wire"):
        WireRecording(tmp_path / "bus.log")
    folder = recorded(tmp_path)
    (folder / "wire.jsonl").write_text('{"cycles": 3}\n')
    with pytest.raises(DriverError, match="damaged"):
        WireRecording(folder)


def test_a_writer_that_died_costs_no_cycle(tmp_path: Path) -> None:
    recorder = WireRecorder(tmp_path)
    recorder._process.kill()
    recorder._process.wait()
    for _ in range(3000):
        recorder.cycle(1)
        recorder.note({"text": "x" * 500})
    assert recorder.lost > 0
    recorder.close()


def test_half_a_record_at_the_end_is_left_out(tmp_path: Path) -> None:
    from io import BytesIO

    from drivers.capture.wire_log import CYCLE, HEAD, NOTE
    from drivers.capture.wire_log_writer import Writer, copy

    writer = Writer(tmp_path)
    copy(BytesIO(HEAD.pack(CYCLE, 1, 0, 1) + HEAD.pack(NOTE, 0, 50, 1) + b"{"), writer)
    writer.close()
    lines = (tmp_path / "wire.jsonl").read_text().splitlines()
    assert [json.loads(line) for line in lines] == [
        {"cycles": [[0], [1]], "now": [[], []], "received": []}
    ]


@given(st.lists(st.tuples(st.floats(0, 2e9), st.booleans(), st.binary(max_size=30))))
def test_timed_text_reads_back(items: list[tuple[float, bool, bytes]]) -> None:
    text = "".join(timed_line(*item) for item in items)
    back = list(read_timed(text.splitlines()))
    assert [(came, data) for _, came, data in back] == [(came, data) for _, came, data in items]
    for (read, _, _), (time_s, _, _) in zip(back, items, strict=True):
        assert read == pytest.approx(time_s, abs=1e-6)


@given(st.text(max_size=40))
def test_other_text_is_refused_with_its_line(line: str) -> None:
    if "\n" in line or "\r" in line or not line.strip():
        return
    with pytest.raises(WireTextError, match="line 1"):
        list(read_timed([line]))
