"""Claims of a drive on its wires: what no other drive of the same process may use there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

SYNC = "SYNC"


@dataclass(frozen=True)
class Claim:
    """One use of a wire.

    Attributes:
        wire: the bus or port, by its interface and channel.
        what: as text, such as "node 5"; ``SYNC`` for a drive that sends it; "" for a wire that
            cannot be shared at all.
        key: under ``drive`` in the profile.
        wire_key: the same for the wire, as in ``Budget.key``.
    """

    wire: str
    what: str
    key: str
    wire_key: str = "bus"


@runtime_checkable
class Claiming(Protocol):
    """A protocol (``drivers.base.WireProtocol``) that knows what it uses on its wires."""

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """Return every claim of a drive with validated options."""


def bus_name(interface: str, channel: str | None) -> str:
    """Return the name of a bus in a claim."""
    return f"{interface} {channel}"
