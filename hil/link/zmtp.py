"""ZMTP 3.0 (ZeroMQ RFC 23) with the NULL mechanism: the accepting side of one connection.

libzmq keeps all frames of a message until the last one arrives, however many there are, and every
topic that a subscriber names; no option bounds either. So the rig host speaks the protocol to local
clients itself, and keeps at most one message of bounded size per peer.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

_GREETING_BYTES: Final = 64
GREETING: Final = b"\xff" + bytes(8) + b"\x7f\x03\x00" + b"NULL".ljust(20, b"\0") + bytes(32)
_MORE: Final = 1
_LONG: Final = 2
_COMMAND: Final = 4
_SHORT_MOST: Final = 255  # bytes of a frame whose size is one byte
_COMMAND_BYTES: Final = 1024  # ample for READY with every property of libzmq
# Between two messages, or two reads: a peer sends a PING each second at most, if at all.
_MOST_COMMANDS: Final = 16
_LONG_HEAD: Final = struct.Struct(">BQ")
# Frames of one message that are read before it is refused; beyond them its sender is cut off.
MOST_FRAMES: Final = 16


class ProtocolError(Exception):
    """Violation of the protocol; the connection ends."""


@dataclass(slots=True)
class Parcel:
    """One message as received.

    Attributes:
        data: data of a message of one frame of permitted length.
        size: size of its first frame in bytes.
        frames: number of its frames so far.
        over: whether its last frame has arrived.
    """

    data: bytes | None
    size: int
    frames: int = 1
    over: bool = True


def framed(data: bytes | memoryview) -> bytes:
    """Return a message of one frame as sent on the wire."""
    size = len(data)
    head = bytes((0, size)) if size <= _SHORT_MOST else _LONG_HEAD.pack(_LONG, size)
    return head + data


def _command(name: bytes, body: bytes) -> bytes:
    text = bytes((len(name),)) + name + body
    return bytes((_COMMAND, len(text))) + text


def ready(socket_type: bytes) -> bytes:
    """Return the READY command of a socket of this type."""
    name = b"Socket-Type"
    body = bytes((len(name),)) + name + len(socket_type).to_bytes(4, "big") + socket_type
    return _command(b"READY", body)


class Incoming:
    """Parser of the bytes of one peer. Keeps one message at most.

    Args:
        socket_type: socket type of this end, sent to the peer.
        most_bytes: largest size of a message that is delivered.
        most_skipped: largest size of a longer one that is read only to be answered; beyond it: ProtocolError.

    Attributes:
        answers: bytes to be sent back; the sender clears them.
        open: whether the handshake is over.
    """

    def __init__(self, socket_type: bytes, most_bytes: int, most_skipped: int) -> None:
        self.answers = GREETING
        self.open = False
        self._greeted = False
        self._socket_type = socket_type
        self._most_bytes = most_bytes
        self._most_skipped = most_skipped
        self._got = bytearray()
        self._skip = 0  # bytes of a frame that is dropped
        self._skipped_more = False
        self._parcel: Parcel | None = None  # one of many frames, or too long, under way

    def feed(self, data: memoryview) -> None:
        """Add received bytes."""
        if self._skip:
            dropped = min(self._skip, len(data))
            self._skip -= dropped
            data = data[dropped:]
        self._got += data

    def take(self) -> Parcel | None:
        """Return the next message, or None if it is incomplete.

        A message of too many frames is returned as one parcel that is not ``over``.

        Raises:
            ProtocolError: the peer violates the protocol.
        """
        commands = 0
        while not self._skip:
            if self._parcel is not None and not self._skipped_more:
                whole, self._parcel = self._parcel, None
                return whole
            if not self.open:
                if not self._shake_hands():
                    return None
                continue
            frame = self._frame()
            if frame is None:
                return None
            flags, begin, size = frame
            if flags & _COMMAND:
                commands += 1
                if commands > _MOST_COMMANDS:
                    raise ProtocolError
                self._obey(bytes(self._got[begin : begin + size]))
                del self._got[: begin + size]
                continue
            more = bool(flags & _MORE)
            if size > self._most_bytes or more or self._parcel is not None:
                parcel = self._drop(begin, size, more)
                if parcel is not None:
                    return parcel
                continue
            data = bytes(self._got[begin : begin + size])
            del self._got[: begin + size]
            return Parcel(data, size)
        return None

    def _drop(self, begin: int, size: int, more: bool) -> Parcel | None:
        here = min(len(self._got), begin + size)
        self._skip = begin + size - here
        del self._got[:here]
        self._skipped_more = more
        if self._parcel is None:
            self._parcel = Parcel(None, size)
        else:
            self._parcel.frames += 1
        if self._parcel.frames > MOST_FRAMES:
            self._parcel.over = False
            return self._parcel
        return None

    def _frame(self) -> tuple[int, int, int] | None:
        """Return flags, begin and size of the first frame once complete, or if it may be dropped."""
        got = self._got
        if len(got) < 2:
            return None
        flags, size, begin = got[0], got[1], 2
        if flags > 7 or flags & (_COMMAND | _MORE) == _COMMAND | _MORE:
            raise ProtocolError
        if flags & _LONG:
            if len(got) < _LONG_HEAD.size:
                return None
            size, begin = _LONG_HEAD.unpack_from(got)[1], _LONG_HEAD.size
        if size > (_COMMAND_BYTES if flags & _COMMAND else self._most_skipped):
            raise ProtocolError
        dropped = size > self._most_bytes or self._parcel is not None or flags & _MORE
        if len(got) < begin + size and not dropped:
            return None
        return flags, begin, size

    def _shake_hands(self) -> bool:
        got = self._got
        if not self._greeted:
            if got and got[0] != 0xFF:
                raise ProtocolError
            if len(got) < _GREETING_BYTES:
                return False
            if not got[9] & 1 or got[10] < 3 or bytes(got[12:32]).rstrip(b"\0") != b"NULL":
                raise ProtocolError
            del got[:_GREETING_BYTES]
            self._greeted = True
            self.answers += ready(self._socket_type)
            return True
        if got and not got[0] & _COMMAND:
            raise ProtocolError
        frame = self._frame()
        if frame is None:
            return False
        _, begin, size = frame
        if bytes(got[begin : begin + 6]) != b"\x05READY":
            raise ProtocolError
        del got[: begin + size]
        self.open = True
        return True

    def _obey(self, text: bytes) -> None:
        """Answer a PING of ZMTP 3.1; other commands change nothing here."""
        if text[:5] == b"\x04PING":
            self.answers += _command(b"PONG", text[7:23])
