"""Frames of the postern board: sync byte, kind, 24 bytes, CRC-32 of kind and bytes."""

from __future__ import annotations

import struct
import zlib

SYNC = 0x7C
CONTENT = 24
SIZE = CONTENT + 6
CHECK = struct.Struct("<I")

# To the board
INTRODUCE, ASK, ALIVE, TORQUE, KNOCK, UNLOCK, OFF, CLEAR = b"iabtkuoc"
# From the board
IDENTITY, STATE, CHALLENGE = b"ISN"

TERMS = struct.Struct("<H")  # ms after which the board misses its host
TARGET = struct.Struct("<f")  # N·m
NUMBER = struct.Struct("<I")  # challenge or its answer; a challenge of 0 is a refusal
# Name, counts per revolution, rated and peak torque, ms after which it misses its host.
TOLD = struct.Struct("<8sIffH")
# Stage, rolling number, fault; counts, rad/s, N·m; deflection, V, 0.1 K.
STATUS = struct.Struct("<BBHiffHfh")

STAGES = (0, 1, 2, 3)
IS_OFF, IS_CHANGING, IS_ON, IS_FAULT = STAGES


def frame(kind: int, content: bytes = b"") -> bytes:
    """Return one frame; ``content`` is padded with zeros."""
    body = bytes((kind,)) + content.ljust(CONTENT, b"\0")
    return bytes((SYNC,)) + body + CHECK.pack(zlib.crc32(body))


def answer(challenge: int, key: int) -> int:
    """Return the checksum that proves knowledge of the key."""
    return zlib.crc32(NUMBER.pack(challenge) + NUMBER.pack(key))


class Framer:
    """Finder of frames in received bytes; garbage costs only the frame that it hit."""

    def __init__(self) -> None:
        self._waiting = bytearray()

    def feed(self, chunk: bytes) -> list[tuple[int, bytes]]:
        """Return kind and content of each whole frame. Never raises."""
        waiting = self._waiting
        waiting += chunk
        found: list[tuple[int, bytes]] = []
        while True:
            start = waiting.find(SYNC)
            if start < 0:
                waiting.clear()
                return found
            del waiting[:start]
            if len(waiting) < SIZE:
                return found
            body, check = bytes(waiting[1 : SIZE - 4]), bytes(waiting[SIZE - 4 : SIZE])
            if CHECK.pack(zlib.crc32(body)) == check:
                found.append((body[0], body[1:]))
                del waiting[:SIZE]
            else:
                del waiting[:1]
