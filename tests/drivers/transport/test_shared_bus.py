"""One bus shared by several drives of a process."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from drivers.base import DriverError
from drivers.transport import open_bus, sharing_buses


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[tuple[can.BusABC, str]]:
    path = str(tmp_path / "can.sock")
    with can.Bus(interface="local_socket", channel=path, role="hub") as hub:
        yield hub, path


def frame(identifier: int) -> can.Message:
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=b"\x01")


def identifiers(bus: can.BusABC) -> list[int]:
    found = []
    while (got := bus.recv(0.05)) is not None:
        found.append(got.arbitration_id)
    return found


def test_every_member_receives_every_frame_and_the_last_one_closes_the_bus(
    hub: tuple[can.BusABC, str],
) -> None:
    node, path = hub
    with sharing_buses():
        one, other = (open_bus("local_socket", path, {}) for _ in range(2))
        assert node.recv(0.05) is None  # the hub accepts members while it reads
        for number in (1, 2, 3):
            node.send(frame(number))
        assert identifiers(one) == [1, 2, 3]
        assert identifiers(other) == [1, 2, 3]
        one.send(frame(4))
        got = node.recv(1.0)
        assert got is not None and got.arbitration_id == 4
        one.shutdown()
        node.send(frame(5))
        assert identifiers(other) == [5]
        other.shutdown()
        third = open_bus("local_socket", path, {})
        third.shutdown()


def test_outside_of_the_context_each_drive_opens_its_own(hub: tuple[can.BusABC, str]) -> None:
    _, path = hub
    with open_bus("local_socket", path, {}) as one, open_bus("local_socket", path, {}) as other:
        assert type(one) is type(other) and one.channel_info.startswith("local_socket")


def test_one_bus_has_one_set_of_options(hub: tuple[can.BusABC, str]) -> None:
    _, path = hub
    with sharing_buses():
        first = open_bus("local_socket", path, {})
        with pytest.raises(DriverError, match=r"other options; write the same 'bus' for both"):
            open_bus("local_socket", path, {"fd": True})
        first.shutdown()


def test_a_lost_bus_is_lost_for_every_member(tmp_path: Path) -> None:
    path = str(tmp_path / "can.sock")
    hub = can.Bus(interface="local_socket", channel=path, role="hub")
    with sharing_buses():
        members = [open_bus("local_socket", path, {}) for _ in range(2)]
        assert hub.recv(0.05) is None
        hub.shutdown()
        for member in members:
            with pytest.raises(can.CanOperationError, match="the bus was lost"):
                member.recv(0.5)
            member.shutdown()
