"""Ports of several axes on the network."""

from __future__ import annotations

import pytest

from hil.link import LinkError, axis_addresses

AXES = ("heel", "toe")


def test_each_axis_has_two_ports_in_order() -> None:
    assert axis_addresses("0.0.0.0:7700", AXES) == {"heel": "0.0.0.0:7700", "toe": "0.0.0.0:7702"}
    assert axis_addresses("tcp://pc:7700", AXES)["toe"] == "tcp://pc:7702"
    assert axis_addresses("pc:65532", AXES)["toe"] == "pc:65534"


@pytest.mark.parametrize("port", ["0", "65533"])
def test_a_port_without_room_above_it_is_refused(port: str) -> None:
    with pytest.raises(LinkError, match="2 axes take 4 ports"):
        axis_addresses(f"pc:{port}", AXES)


@pytest.mark.parametrize("address", ["pc", "pc:", "pc:x", ":7700"])
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(LinkError, match="write HOST:PORT"):
        axis_addresses(address, AXES)
