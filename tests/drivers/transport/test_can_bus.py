"""A bus that does not open is reported with its location and a fix."""

from __future__ import annotations

import socket

import can
import pytest

from drivers.base import DriverError
from drivers.transport.can_bus import open_bus


@pytest.mark.parametrize(
    ("interface", "channel", "options", "says"),
    [
        ("local_soket", "x", {}, r"drive\.bus\.interface.*did you mean 'local_socket'"),
        ("local_socket", "nobody.sock", {}, "no such device"),
        ("local_socket", "nobody.sock", {"rol": "hub"}, "no option 'rol'"),
        ("slcan", "nothing.tty", {}, "no such device"),
    ],
)
def test_the_error_names_place_and_fix(tmp_path, interface, channel, options, says):
    with pytest.raises(DriverError, match=says):
        open_bus(interface, str(tmp_path / channel), options)


def test_a_socket_that_nobody_serves_any_more(tmp_path):
    path = str(tmp_path / "can.sock")
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as left_behind:
        left_behind.bind(path)
    with pytest.raises(DriverError, match="start the other end first"):
        open_bus("local_socket", path, {})


def test_options_reach_the_interface(tmp_path):
    with open_bus("local_socket", str(tmp_path / "c"), {"role": "hub"}) as hub:
        assert isinstance(hub, can.BusABC)
        assert hub.fileno() == -1
