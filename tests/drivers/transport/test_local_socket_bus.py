"""Frames over the local bus: hub, members, loss, garbage."""

from __future__ import annotations

import socket
import struct
import subprocess
import sys
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.transport.local_socket_bus import FLEXIBLE, FLEXIBLE_LENGTHS, FRAME, LocalSocketBus

pytestmark = pytest.mark.real_time

FIELDS = [name for name in can.Message.__slots__ if name != "__weakref__"]


@pytest.fixture
def pair(tmp_path: Path):
    path = str(tmp_path / "can.sock")
    with (
        can.Bus(interface="local_socket", channel=path, role="hub") as hub,
        can.Bus(interface="local_socket", channel=path) as member,
    ):
        assert hub.recv(0.05) is None  # the hub accepts members while it reads
        yield hub, member, path


@pytest.fixture
def fd_pair(tmp_path: Path):
    path = str(tmp_path / "fd.sock")
    with (
        can.Bus(interface="local_socket", channel=path, role="hub", fd=True) as hub,
        can.Bus(interface="local_socket", channel=path, fd=True) as member,
    ):
        assert hub.recv(0.05) is None
        yield hub, member


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    extended=st.booleans(),
    identifier=st.integers(0, 0x7FF),
    high=st.integers(0, 0x3FFFF),
    data=st.binary(max_size=8),
)
def test_frame_comes_as_it_was_sent(pair, extended, identifier, high, data):
    hub, member, _ = pair
    number = identifier | high << 11 if extended else identifier
    sent = can.Message(arbitration_id=number, is_extended_id=extended, data=data)
    for one, other in ((hub, member), (member, hub)):
        one.send(sent)
        got = other.recv(1.0)
        assert got is not None and got.equals(
            sent, timestamp_delta=None, check_channel=False, check_direction=False
        )
        made = can.Message(data=data)  # by its own constructor, which the bus leaves out
        kinds = [type(getattr(one, name)) for one in (got, made) for name in FIELDS]
        assert kinds[: len(FIELDS)] == kinds[len(FIELDS) :] and got.is_rx


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    extended=st.booleans(),
    identifier=st.integers(0, 0x7FF),
    flags=st.tuples(st.booleans(), st.booleans()),
    data=st.integers(0, 64)
    .filter(FLEXIBLE_LENGTHS.__contains__)
    .flatmap(lambda size: st.binary(min_size=size, max_size=size)),
)
def test_frame_of_can_fd_comes_as_it_was_sent(fd_pair, extended, identifier, flags, data):
    hub, member = fd_pair
    sent = can.Message(
        arbitration_id=identifier << 18 if extended else identifier,
        is_extended_id=extended,
        is_fd=True,
        bitrate_switch=flags[0],
        error_state_indicator=flags[1],
        data=data,
        check=True,
    )
    classic = can.Message(arbitration_id=identifier, is_extended_id=False, data=data[:8])
    for one, other in ((hub, member), (member, hub)):
        for frame in (sent, classic):
            one.send(frame)
            got = other.recv(1.0)
            assert got is not None and got.equals(
                frame, timestamp_delta=None, check_channel=False, check_direction=False
            )


def test_for_a_classic_member_a_frame_of_can_fd_is_damage(fd_pair, tmp_path):
    hub, member = fd_pair
    frame = can.Message(arbitration_id=5, is_extended_id=False, is_fd=True, data=bytes(12))
    with LocalSocketBus(str(tmp_path / "fd.sock")) as classic:
        hub.recv(0.05)
        member.send(frame)
        assert len(hub.recv(1.0).data) == 12
        assert classic.recv(0.05) is None and classic.malformed == 1
        with pytest.raises(ValueError, match="fd=True"):
            classic.send(frame)
    for wrong in (can.Message(is_fd=True, data=bytes(12)), can.Message(is_fd=True)):
        wrong.data = bytearray(9)
        with pytest.raises(ValueError, match="none of 9 bytes"):
            member.send(wrong)


@given(sizes=st.lists(st.integers(0, 8), max_size=20), extended=st.booleans())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_frames_sent_together_come_one_by_one_in_order(pair, sizes, extended):
    hub, member, path = pair
    sent = [
        can.Message(arbitration_id=0x180 + i, is_extended_id=extended, data=bytes([i] * size))
        for i, size in enumerate(sizes)
    ]
    with LocalSocketBus(path) as third:
        assert hub.recv(0.005) is None
        for sender, receivers in ((hub, (member, third)), (member, (hub, third))):
            sender.send_together(sent)
            for receiver in receivers:
                for frame in sent:
                    got = receiver.recv(1.0)
                    assert got is not None and got.equals(
                        frame, timestamp_delta=None, check_channel=False, check_direction=False
                    )
                assert receiver.recv(0.0) is None


@pytest.mark.parametrize(
    "damage", [lambda p: p[:-1], lambda p: p * 5, lambda p: p[:20] + b"\x09" + p[21:]]
)
def test_damaged_packet_of_several_frames_is_counted_as_a_whole(pair, damage):
    hub, member, path = pair
    frame = can.Message(arbitration_id=3, is_extended_id=False, data=bytes(8))
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as raw:
        raw.connect(path)
        hub.recv(0.05)
        raw.send(damage(FRAME.pack(5, 8, bytes(8)) * 2))
        member.send(frame)
        got = [hub.recv(0.05) for _ in range(2)]
    assert [m.arbitration_id for m in got if m is not None] == [3]
    assert hub.malformed == 1


def test_what_cannot_be_sent_together_is_refused_before_any_is_sent(pair):
    hub, member, _ = pair
    classic = can.Message(arbitration_id=3, is_extended_id=False, data=bytes(8))
    for wrong in (can.Message(is_error_frame=True), can.Message(is_fd=True, data=bytes(12))):
        with pytest.raises(ValueError, match="classic"):
            hub.send_together([classic, wrong])
    assert member.recv(0.05) is None


def test_hub_passes_frames_between_members(pair):
    hub, member, path = pair
    with LocalSocketBus(path) as third:
        hub.recv(0.05)
        member.send(can.Message(arbitration_id=5, is_extended_id=False, data=b"x"))
        assert hub.recv(1.0).data == b"x"
        assert third.recv(1.0).data == b"x"


def test_loss_of_the_hub_is_an_error_not_silence(pair):
    hub, member, _ = pair
    hub.shutdown()
    with pytest.raises(can.CanOperationError, match="lost"):
        member.recv(0.5)
    with pytest.raises(can.CanOperationError, match="lost"):
        member.send(can.Message(arbitration_id=1))


def test_malformed_packets_are_counted_and_passed_over(pair):
    hub, member, path = pair
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as raw:
        raw.connect(path)
        hub.recv(0.05)
        raw.send(b"short")
        raw.send(b"\xff" * 16)
        member.send(can.Message(arbitration_id=3, is_extended_id=False))
        got = [hub.recv(0.2) for _ in range(3)]
    assert [m.arbitration_id for m in got if m is not None] == [3]
    assert hub.malformed == 2


def test_frames_of_a_member_that_left_are_not_lost(pair):
    """The kernel resets a socket closed with unread frames; frames that it sent must still arrive."""
    hub, member, path = pair
    with LocalSocketBus(path) as other:
        hub.recv(0.05)
        for i in range(5):
            hub.send(can.Message(arbitration_id=0x180 + i))  # nobody reads these frames
        other.send(can.Message(arbitration_id=0x205, is_extended_id=False, data=bytes(5)))
    hub.send(can.Message(arbitration_id=0x700))  # fails for the member that left
    got = hub.recv(1.0)
    assert got is not None and got.arbitration_id == 0x205
    assert hub.recv(0.05) is None
    member.send(can.Message(arbitration_id=7))
    assert hub.recv(1.0).arbitration_id == 7


def test_member_reads_what_a_dead_hub_had_sent_before_it_is_reported(pair):
    hub, member, _ = pair
    member.send(can.Message(arbitration_id=1))
    hub.send(can.Message(arbitration_id=2))
    hub.shutdown()
    assert member.recv(1.0).arbitration_id == 2
    with pytest.raises(can.CanOperationError, match="lost"):
        member.recv(1.0)


def test_a_full_member_misses_frames_and_the_others_do_not(pair):
    hub, member, path = pair
    with LocalSocketBus(path) as sleeper:
        hub.recv(0.05)
        for i in range(20_000):
            hub.send(can.Message(arbitration_id=i & 0x7FF, is_extended_id=False))
            assert member.recv(1.0).arbitration_id == i & 0x7FF
            if hub.dropped:
                break
        assert hub.dropped > 0
        assert sleeper.recv(1.0).arbitration_id == 0


def test_no_member_keeps_the_others_out(pair):
    hub, member, path = pair
    with LocalSocketBus(path) as babbler:
        hub.recv(0.05)
        for _ in range(50):
            babbler.send(can.Message(arbitration_id=1))
        member.send(can.Message(arbitration_id=2))
        assert 2 in [hub.recv(1.0).arbitration_id for _ in range(4)]


def test_hub_removes_only_a_socket_that_nobody_serves(tmp_path):
    path = tmp_path / "can.sock"
    path.write_text("precious")
    with pytest.raises(can.CanInitializationError, match="is not a socket"):
        LocalSocketBus(str(path), role="hub")
    assert path.read_text() == "precious"
    path.unlink()
    with (
        LocalSocketBus(str(path), role="hub"),
        pytest.raises(can.CanInitializationError, match="already"),
    ):
        LocalSocketBus(str(path), role="hub")
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as left_behind:
        left_behind.bind(str(path))
    LocalSocketBus(str(path), role="hub").shutdown()


def packet_of_can_fd(draw_from: tuple[int, int, int, bytes]) -> bytes:
    """Return a packet that may be invalid: its stated length may be wrong."""
    identifier, length, flags, data = draw_from
    return struct.pack("<IBB2x", identifier | FLEXIBLE, length, flags) + data


NEARLY = st.tuples(
    st.integers(0, 2**32 - 1), st.integers(0, 70), st.integers(0, 255), st.binary(max_size=70)
).flatmap(
    lambda parts: st.sampled_from(
        [packet_of_can_fd(parts), packet_of_can_fd((parts[0], len(parts[3]), *parts[2:]))]
    )
)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60
)
@given(packets=st.lists(st.binary(min_size=1, max_size=80) | NEARLY, max_size=20))
def test_any_packet_is_frames_or_counted(fd_pair, packets):
    hub, _ = fd_pair
    before = hub.malformed
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as raw:
        raw.connect(str(hub.channel_info).split()[-1])
        for packet in packets:
            raw.send(packet)
    frames = []
    while (frame := hub.recv(0.02)) is not None:
        frames.append(frame)
    most = [max(1, len(packet) // 16) for packet in packets]  # frames in each, at most
    damaged = hub.malformed - before
    assert len(packets) <= len(frames) + damaged <= sum(most)
    if max(most, default=1) == 1:
        assert len(frames) + damaged == len(packets)
    for frame in frames:
        assert len(frame.data) in (FLEXIBLE_LENGTHS if frame.is_fd else range(9))


def test_what_the_bus_cannot_carry_is_refused(pair):
    hub, _, path = pair
    with pytest.raises(ValueError, match="classic"):
        hub.send(can.Message(arbitration_id=1, is_fd=True, data=bytes(12)))
    with pytest.raises(ValueError, match="no error frames"):
        hub.send(can.Message(arbitration_id=1, is_error_frame=True))
    with pytest.raises(can.CanInitializationError, match="no option 'rol'"):
        LocalSocketBus(path, rol="hub")
    with pytest.raises(can.CanInitializationError, match="at most"):
        LocalSocketBus("/tmp/" + "x" * 120)


def test_filters_and_the_notifier_of_python_can_work(pair):
    hub, member, _ = pair
    member.set_filters([{"can_id": 5, "can_mask": 0x7FF, "extended": False}])
    reader = can.BufferedReader()
    notifier = can.Notifier(member, [reader], 0.05)
    try:
        for i in (4, 5):
            hub.send(can.Message(arbitration_id=i, is_extended_id=False))
        assert reader.get_message(2.0).arbitration_id == 5
    finally:
        notifier.stop()


SENDER = """
import sys, can
with can.Bus(interface="local_socket", channel=sys.argv[1]) as bus:
    for i in range(int(sys.argv[2])):
        bus.send(can.Message(arbitration_id=0x123, is_extended_id=False,
                             data=i.to_bytes(8, "little")))
        if i % 50 == 49:
            bus.recv(5.0)
"""


def test_every_frame_of_another_process_arrives_in_order(tmp_path):
    path, count = str(tmp_path / "can.sock"), 5000
    with LocalSocketBus(path, role="hub") as hub:
        sender = subprocess.Popen([sys.executable, "-c", SENDER, path, str(count)])
        try:
            for i in range(count):
                message = hub.recv(10.0)
                assert message is not None and int.from_bytes(message.data, "little") == i
                if i % 50 == 49:
                    hub.send(can.Message(arbitration_id=0x124, is_extended_id=False))
            assert sender.wait(10) == 0
        finally:
            sender.kill()
            sender.wait()
