"""Frames over the local bus: hub, members, loss, garbage."""

from __future__ import annotations

import socket
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.base import DriverError
from drivers.can_bus import open_bus
from drivers.local_socket_bus import LocalSocketBus


@pytest.fixture
def pair(tmp_path: Path):
    path = str(tmp_path / "can.sock")
    with (
        can.Bus(interface="local_socket", channel=path, role="hub") as hub,
        can.Bus(interface="local_socket", channel=path) as member,
    ):
        assert hub.recv(0.05) is None  # the hub accepts while it reads
        yield hub, member, path


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
        assert got is not None and got.equals(sent, timestamp_delta=None, check_channel=False,
                                              check_direction=False)


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
    with pytest.raises(can.CanOperationError, match="gone"):
        member.recv(0.5)
    with pytest.raises(can.CanOperationError, match="gone"):
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


@pytest.mark.parametrize(
    ("interface", "says"),
    [("local_soket", "did you mean 'local_socket'"), ("local_socket", "does not open")],
)
def test_a_bus_that_does_not_open_says_what_to_do(tmp_path, interface, says):
    with pytest.raises(DriverError, match=says):
        open_bus(interface, str(tmp_path / "nobody.sock"), {})
