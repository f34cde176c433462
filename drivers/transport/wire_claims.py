"""Claims of a drive on its wires, which no other drive of the same process may use as well."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

SYNC = "SYNC"


@dataclass(frozen=True)
class Claim:
    """One use of a wire.

    Attributes:
        wire: bus or port, named by its interface and channel.
        what: resource in words, such as "node 5"; ``SYNC`` for a drive that sends it; "" for a wire
            that cannot be shared.
        key: key below ``drive`` in the profile that sets the resource.
        wire_key: key below ``drive`` that sets the wire, as in ``Budget.key``.
    """

    wire: str
    what: str
    key: str
    wire_key: str = "bus"


@runtime_checkable
class Claiming(Protocol):
    """A protocol (``drivers.base.WireProtocol``) that states which resources it uses on its wires."""

    def claims(self, options: Any) -> tuple[Claim, ...]:
        """Return every claim of a drive with validated options."""


def bus_name(interface: str, channel: str | None) -> str:
    """Return the name of a bus in a claim."""
    return f"{interface} {channel}"
