"""Codecs between the bytes of a serial port and messages."""

from __future__ import annotations

from typing import Protocol

Message = tuple[str, tuple[float, ...]]


class Codec(Protocol):
    """One side of a serial line; the board's side has the messages the other way round."""

    def feed(self, chunk: bytes) -> list[Message]:
        """Messages that are whole and sound with these bytes. Never raises."""

    def set(self, message: str, name: str, value: float) -> None:
        """One value of a message to be sent; it stays. Raises ``ValueError`` for NaN."""

    def build(self, message: str) -> bytes:
        """The message as it is to be sent now."""
