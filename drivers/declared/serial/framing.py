"""Frames in a stream of bytes: found by sync bytes or COBS, checked, with resynchronisation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from drivers.declared.common import Counters, checksum
from drivers.declared.serial.frame_options import Framing, NumberField

LONGEST_BEHIND = 8192  # most bytes kept without a complete frame

ENDS: dict[str, Literal["little", "big"]] = {"little_endian": "little", "big_endian": "big"}


def cobs_encode(data: bytes) -> bytes:
    """Return the encoded data, without the closing zero."""
    out = bytearray()
    for i, block in enumerate(parts := data.split(b"\0")):
        while len(block) >= 254:
            out.append(255)
            out += block[:254]
            block = block[254:]
            # A full group encodes no zero; at the very end nothing more is needed.
            if not block and i == len(parts) - 1:
                return bytes(out)
        out.append(len(block) + 1)
        out += block
    return bytes(out)


def cobs_decode(data: bytes) -> bytes | None:
    """Return the inverse of :func:`cobs_encode`, or None if invalid."""
    out = bytearray()
    at, end = 0, len(data)
    while at < end:
        code = data[at]
        following = at + code
        if code == 0 or following > end:
            return None
        out += data[at + 1 : following]
        at = following
        if code != 255 and at < end:
            out.append(0)
    return bytes(out)


class Framer:
    """Converter of bytes to payloads, and of payloads to bytes.

    Args:
        sizes: payload bytes by identifier; without identifiers one kind per size (the key then is
            ``-1 - size``).
    """

    def __init__(self, framing: Framing, sizes: Mapping[int, int], counters: Counters) -> None:
        self._framing = framing
        self._sizes = dict(sizes)
        self._counters = counters
        self._sync = bytes(framing.sync)
        at = len(self._sync)
        self._places: dict[str, tuple[int, int, Literal["little", "big"]]] = {}
        for name in framing.head:
            field: NumberField = framing.length if name == "length" else framing.identifier
            self._places[name] = (at, at + field.bytes, ENDS[field.order])
            at += field.bytes
        self._payload_at = at
        declared = framing.checksum
        self._check_bytes = declared.width // 8 if declared else 0
        self._compute = checksum(declared) if declared else None
        self._check_order = ENDS[declared.order] if declared else "little"
        self._covers = declared.covers if declared else (0, -1)
        self._only = next(iter(sizes)) if len(sizes) == 1 and not framing.head else None
        self._largest = max(sizes.values(), default=0) + at + self._check_bytes
        self._buffer = b""

    def feed(self, chunk: bytes) -> list[tuple[int, bytes]]:
        """Return (key of ``sizes``, payload) of each valid completed frame. Never raises."""
        return self._by_zero(chunk) if self._framing.cobs else self._by_sync(chunk)

    def build(self, key: int, payload: bytes) -> bytes:
        """Return a frame as sent on the wire."""
        framing = self._framing
        frame = bytearray(self._sync)
        total = self._payload_at + len(payload) + self._check_bytes
        for name in framing.head:
            low, high, order = self._places[name]
            number = key if name == "identifier" else self._length(len(payload), total)
            frame += number.to_bytes(high - low, order)
        frame += payload
        if self._compute is not None:
            value = self._compute(self._covered(bytes(frame)))
            frame += value.to_bytes(self._check_bytes, self._check_order)
        return cobs_encode(bytes(frame)) + b"\0" if framing.cobs else bytes(frame)

    def _length(self, payload: int, total: int) -> int:
        counts = self._framing.length.counts
        if counts == "payload":
            return payload
        return total if counts == "frame" else total - self._places["length"][1]

    def _covered(self, body: bytes) -> bytes:
        """Return the bytes that the checksum covers; ``body`` is the frame without it."""
        first, last = self._covers
        total = len(body) + self._check_bytes
        first, last = (end + total if end < 0 else end for end in (first, last))
        return body[first : last + 1]

    def _by_sync(self, chunk: bytes) -> list[tuple[int, bytes]]:
        buffer = self._buffer + chunk
        counters, sync = self._counters, self._sync
        found: list[tuple[int, bytes]] = []
        at = 0
        while at < len(buffer):
            start = buffer.find(sync, at)
            if start < 0:
                # Keep a possible beginning of a sync; the rest is garbage.
                keep = next(
                    (
                        n
                        for n in range(min(len(sync) - 1, len(buffer) - at), 0, -1)
                        if buffer.endswith(sync[:n])
                    ),
                    0,
                )
                counters.malformed += len(buffer) - keep > at
                at = len(buffer) - keep
                break
            counters.malformed += start > at
            at = start
            if len(buffer) < start + self._payload_at:
                break
            key, size = self._kind(buffer[start : start + self._payload_at])
            if key is None:
                counters.foreign += 1
                at = start + 1
                continue
            if len(buffer) < start + size:
                break
            payload = self._checked(buffer[start : start + size])
            if payload is None:
                # A sync within other data, or a damaged frame: the next may begin inside it.
                at = start + 1
                continue
            found.append((key, payload))
            at = start + size
        self._buffer = buffer[at:]
        return found

    def _kind(self, head: bytes) -> tuple[int | None, int]:
        """Return (key, bytes of the whole frame) according to a head."""
        key = self._only
        rest = self._payload_at + self._check_bytes
        if "identifier" in self._places:
            low, high, order = self._places["identifier"]
            key = int.from_bytes(head[low:high], order)
        if "length" in self._places:
            low, high, order = self._places["length"]
            said = int.from_bytes(head[low:high], order)
            if "identifier" not in self._places:
                zero = self._length(0, rest)
                key = -1 - (said - zero)
        if key is None or key not in self._sizes:
            return None, 0
        size = self._sizes[key]
        if "length" in self._places and said != self._length(size, size + rest):
            return None, 0
        return key, size + rest

    def _checked(self, frame: bytes) -> bytes | None:
        if self._compute is None:
            return frame[self._payload_at :]
        body = frame[: -self._check_bytes]
        value = int.from_bytes(frame[-self._check_bytes :], self._check_order)
        if value != self._compute(self._covered(body)):
            self._counters.checksum_failures += 1
            return None
        return body[self._payload_at :]

    def _by_zero(self, chunk: bytes) -> list[tuple[int, bytes]]:
        *packets, rest = (self._buffer + chunk).split(b"\0")
        # A frame cannot be longer; the next one begins after the first zero.
        self._buffer = rest[: self._largest + self._largest // 254 + 2]
        found: list[tuple[int, bytes]] = []
        for packet in packets:
            if not packet:
                continue
            frame = cobs_decode(packet)
            if frame is None or len(frame) < self._payload_at + self._check_bytes:
                self._counters.malformed += 1
                continue
            key, size = self._kind(frame[: self._payload_at])
            if key is None and not self._framing.head:
                key = -1 - (len(frame) - self._payload_at - self._check_bytes)
                size = len(frame)
            if key not in self._sizes:
                self._counters.foreign += 1
                continue
            assert key is not None
            if size != len(frame):
                self._counters.malformed += 1
                continue
            payload = self._checked(frame)
            if payload is not None:
                found.append((key, payload))
        return found
