"""Codecs between the bytes of a serial port and messages."""

from __future__ import annotations

from typing import Protocol

Message = tuple[str, tuple[float, ...]]


class Codec(Protocol):
    """One side of a serial line; on the board's side sent and received are swapped."""

    def feed(self, chunk: bytes) -> list[Message]:
        """Return the messages completed by these bytes and valid. Never raises."""

    def set(self, message: str, name: str, value: float) -> None:
        """Set one value of a message to be sent; it stays. Raises ``ValueError`` for NaN."""

    def build(self, message: str) -> bytes:
        """Return the message to be sent now."""
