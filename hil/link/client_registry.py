"""Clients that have said hello, and their names."""

from __future__ import annotations

import re
from dataclasses import dataclass

MOST_CLIENTS = 256
AWAY_S = 5.0  # silence after which another client may have the name


@dataclass(slots=True)
class _Known:
    name: str
    received_s: float


class ClientRegistry:
    """Names of clients by routing identity; bounded, the longest silent are forgotten."""

    def __init__(self) -> None:
        self._known: dict[bytes, _Known] = {}

    def received(self, client: bytes, now_s: float) -> str | None:
        """Note a message of a client and return its name; None if it never said hello."""
        known = self._known.get(client)
        if known is None:
            return None
        known.received_s = now_s
        return known.name

    def silent_s(self, name: str, now_s: float) -> float | None:
        """Return the time since a client of this name last sent anything, in s; None if unknown."""
        # The replacement of a dead client is 'NAME 2' until the dead one is forgotten.
        known = self._known.values()
        received = [
            k.received_s for k in known if re.fullmatch(rf"{re.escape(name)}( \d+)?", k.name)
        ]
        return now_s - max(received) if received else None

    def forget(self, client: bytes) -> None:
        self._known.pop(client, None)

    def greet(self, client: bytes, name: str, now_s: float, keep: bytes) -> str:
        """Enter a client and return its name, made unique among those present.

        Args:
            keep: identity that is never forgotten.
        """
        self._known.pop(client, None)
        for other, known in list(self._known.items()):
            if other != keep and known.name == name and now_s - known.received_s > AWAY_S:
                del self._known[other]
        while len(self._known) >= MOST_CLIENTS:
            silent = min(
                (other for other in self._known if other != keep),
                key=lambda other: self._known[other].received_s,
            )
            del self._known[silent]
        taken = {known.name for known in self._known.values()}
        unique, number = name, 1
        while unique in taken:
            number += 1
            unique = f"{name} {number}"
        self._known[client] = _Known(unique, now_s)
        return unique
