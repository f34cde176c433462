"""Ports of this computer: CAN adapters that python-can finds, and serial ports."""

from __future__ import annotations

import contextlib
import logging
from pathlib import Path
from typing import Any

import can
from serial.tools import list_ports

BY_NAME = Path("/dev/serial/by-id")
NO_ADAPTERS = frozenset(("virtual", "udp_multicast", "serial"))  # always there, or listed below


def can_adapters() -> list[dict[str, Any]]:
    """``interface``, ``channel`` and what else python-can's interfaces tell of each."""
    # Each interface that is not installed would say so, and none of them is missed here.
    log = logging.getLogger("can")
    level = log.level
    log.setLevel(logging.CRITICAL)
    found: list[dict[str, Any]] = []
    # An interface whose library is broken must not hide the serial ports.
    with contextlib.suppress(Exception):
        found = [dict(entry) for entry in can.detect_available_configs()]
    log.setLevel(level)
    return [entry for entry in found if entry.get("interface") not in NO_ADAPTERS]


def serial_ports() -> list[dict[str, Any]]:
    """``path``, the ``stable_path`` that the system keeps for it, if any, and ``usb``."""
    return [
        {
            "path": port.device,
            "stable_path": _stable(port.device),
            "description": port.description if port.description != "n/a" else "",
            "usb": None
            if port.vid is None
            else {
                "vendor_id": port.vid,
                "product_id": port.pid,
                "serial_number": port.serial_number,
            },
        }
        for port in sorted(list_ports.comports())
    ]


def _stable(path: str) -> str | None:
    """The name of a port that stays when it is plugged in elsewhere."""
    for link in sorted(BY_NAME.glob("*")):
        if link.resolve() == Path(path).resolve():
            return str(link)
    return None
