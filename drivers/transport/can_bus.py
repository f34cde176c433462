"""Open any python-can bus, with errors that name the place and the fix."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from typing import Any

import can
from can.interfaces import VALID_INTERFACES
from pydantic import BaseModel, ConfigDict

from drivers.base import DriverError
from drivers.capture import wires
from drivers.suggest import did_you_mean
from drivers.transport.shared_bus import shared_buses


class BusOptions(BaseModel):
    """``interface`` and ``channel`` as python-can names them; further keys are passed on."""

    model_config = ConfigDict(extra="allow", frozen=True)

    interface: str
    channel: str | None = None

    def extra(self) -> dict[str, object]:
        return dict(self.model_extra or {})


FIXES: dict[int, str] = {
    errno.EACCES: "no permission: get access, often by membership of the device's group",
    errno.EPERM: "no permission: get access, often by membership of the device's group",
    errno.ENOENT: "no such device: check drive.bus.channel and that the adapter is plugged in",
    errno.ENODEV: "no such device: check drive.bus.channel and that the adapter is plugged in",
    errno.ENETDOWN: "the interface is down: set its bit rate and bring it up",
    errno.ECONNREFUSED: "no process serves it: start the other end first",
    errno.EAFNOSUPPORT: "this computer's kernel does not support it: choose another interface",
    errno.EBUSY: "another program uses it: end that one first",
}
GENERAL_FIX = (
    "check that the adapter is plugged in, drive.bus.channel is right and you have permission"
)


def open_bus(interface: str, channel: str | None, options: Mapping[str, Any]) -> can.BusABC:
    """Open the bus; ``options`` are passed unchanged to the python-can interface.

    Raises:
        DriverError: unknown interface or option, or it does not open.
    """
    recording = wires.replayed()
    sharing = shared_buses()
    if recording is not None:
        if sharing is None:
            return recording.bus()
        return sharing.join((interface, channel), dict(options), recording.bus)
    if interface not in VALID_INTERFACES:
        hint = did_you_mean(interface, sorted(VALID_INTERFACES), "; ")
        raise DriverError(
            f"drive.bus.interface: no CAN interface '{interface}'{hint} "
            f"(known: {', '.join(sorted(VALID_INTERFACES))})"
        )
    try:
        if sharing is None:
            return _opened(interface, channel, options)
        return sharing.join(
            (interface, channel), dict(options), lambda: _opened(interface, channel, options)
        )
    except Exception as error:
        # Each adapter raises its own exceptions; all mean that the bus did not open.
        raise DriverError(
            f"drive.bus: {interface} on '{channel}' does not open: {error}; {_fix(error)}"
        ) from error


def _opened(interface: str, channel: str | None, options: Mapping[str, Any]) -> can.BusABC:
    bus = _made(interface, channel, options)
    wires.opened_bus(bus, f"{interface} {channel}")
    return bus


def _made(interface: str, channel: str | None, options: Mapping[str, Any]) -> can.BusABC:
    if interface == "socketcan":
        # Loaded only where it is used: the module needs a kernel with CAN.
        from drivers.transport.socketcan_bus import StampedSocketcanBus

        return StampedSocketcanBus(channel or "", **options)
    return can.Bus(interface=interface, channel=channel, **options)


def _fix(error: BaseException) -> str:
    """Return the fix, from the error and its causes."""
    if isinstance(error, TypeError | ValueError):
        return "correct the keys and values under drive.bus"
    if isinstance(error, ImportError | can.CanInterfaceNotImplementedError):
        return "install the packages that this python-can interface needs"
    cause: BaseException | None = error
    while cause is not None:
        for number in (getattr(cause, "errno", None), getattr(cause, "error_code", None)):
            if number in FIXES:
                return FIXES[number]
        cause = cause.__cause__ or cause.__context__
    return GENERAL_FIX
