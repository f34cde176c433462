"""Open any python-can bus, with errors that name the place and the mend."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

import can
from can.interfaces import VALID_INTERFACES

from drivers.base import DriverError


def open_bus(interface: str, channel: str | None, options: Mapping[str, Any]) -> can.BusABC:
    """Open the bus; ``options`` go to the python-can interface as they are.

    Raises:
        DriverError: unknown interface, or the device does not open.
    """
    if interface not in VALID_INTERFACES:
        near = difflib.get_close_matches(interface, sorted(VALID_INTERFACES), 1)
        hint = f"; did you mean '{near[0]}'?" if near else ""
        raise DriverError(
            f"drive.bus.interface: no CAN interface '{interface}'{hint} "
            f"(known: {', '.join(sorted(VALID_INTERFACES))})"
        )
    try:
        return can.Bus(interface=interface, channel=channel, **options)
    except Exception as error:
        # Each adapter raises its own kinds; all of them mean that the bus did not open.
        raise DriverError(
            f"drive.bus: {interface} on '{channel}' does not open: {error}; check that the "
            "adapter is plugged in, the channel is right and you may use it"
        ) from error
