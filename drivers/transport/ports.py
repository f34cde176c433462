"""Ports of this computer: CAN adapters that python-can finds, and serial ports."""

from __future__ import annotations

import contextlib
import logging
from pathlib import Path
from typing import Any

import can
from serial.tools import list_ports

from drivers.transport.line_speed import held_back_ms

BY_NAME = Path("/dev/serial/by-id")
NO_ADAPTERS = frozenset(("virtual", "udp_multicast", "serial"))  # always there, or listed below


def can_adapters() -> list[dict[str, Any]]:
    """Return ``interface``, ``channel`` and further details from python-can of each adapter."""
    # Interfaces that are not installed would log warnings, which are irrelevant here.
    log = logging.getLogger("can")
    level = log.level
    log.setLevel(logging.CRITICAL)
    found: list[dict[str, Any]] = []
    # A broken interface library must not hide the serial ports.
    with contextlib.suppress(Exception):
        found = [dict(entry) for entry in can.detect_available_configs()]
    log.setLevel(level)
    return [entry for entry in found if entry.get("interface") not in NO_ADAPTERS]


def serial_ports() -> list[dict[str, Any]]:
    """Return each port: ``path``, the system's ``stable_path`` and ``usb``, if any.

    ``held_back_ms``: how long its adapter collects received bytes while no profile has it open;
    None if not reported.
    """
    return [
        {
            "path": port.device,
            "stable_path": _stable(port.device),
            "description": port.description if port.description != "n/a" else "",
            "held_back_ms": held_back_ms(port.device),
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
    """Return the name of a port that is independent of the socket it is plugged into."""
    for link in sorted(BY_NAME.glob("*")):
        if link.resolve() == Path(path).resolve():
            return str(link)
    return None
