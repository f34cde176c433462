"""Sources of messages: local clients, and clients on the network."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import zmq

from hil.link.local_port import LocalPort
from hil.link.messages import MOST_BYTES, MOST_BYTES_ANSWERED
from hil.link.network_watch import NetworkWatch, end_connection
from hil.link.zmtp import MOST_FRAMES

_ONE_FRAME: Final = "a message is one frame"
_MANY_FRAMES: Final = f"a message of more than {MOST_FRAMES} frames"
_SKIPPED_AT_ONCE: Final = 16  # frames between two checks of the clock
_POLLIN: Final = int(zmq.POLLIN)


@dataclass(slots=True)
class Taken:
    """One message not yet read.

    Attributes:
        client: identity of its sender on the link.
        data: as received.
        local: whether the sender is on the rig host's computer.
        process: key of the sender's process; empty if unknown.
        wrong: reason not to read it.
        endless: has so many frames that its sender is cut off.
    """

    client: bytes
    data: bytes
    local: bool
    process: bytes = b""
    wrong: str = ""
    endless: bool = False


class Source(Protocol):
    """Source of messages; none of these calls waits."""

    @property
    def pending(self) -> bool:
        """True if ``take`` may return something."""

    def look(self, now_s: float, holder: bytes) -> bool:
        """Check for messages, those of ``holder`` first; return ``pending``."""

    def take(self, end_s: float) -> Taken | None:
        """Take one message; None if none is complete by ``end_s``."""

    def answer(self, client: bytes, data: bytes) -> bool:
        """Send to one client; False if it does not belong to this source."""

    def end(self, client: bytes) -> None:
        """End the connection of a client once its answers are sent."""


class LocalSource:
    """Local clients. Of a message of many frames only their number is kept."""

    def __init__(self, path: Path) -> None:
        self.port = LocalPort(path, b"ROUTER", MOST_BYTES, MOST_BYTES_ANSWERED)

    def answer(self, client: bytes, data: bytes) -> bool:
        return self.port.answer(client, data)

    def end(self, client: bytes) -> None:
        self.port.end(client)

    @property
    def pending(self) -> bool:
        return self.port.pending

    def look(self, now_s: float, holder: bytes) -> bool:
        port = self.port
        port.keep = holder
        some = port.look(now_s)
        if some:
            port.first(holder)
        port.send_rest(1)
        return some

    def take(self, end_s: float) -> Taken | None:
        found = self.port.take()
        if found is None:
            return None
        peer, parcel = found
        process = b"process %d" % peer.process if peer.process else b""
        taken = Taken(peer.id, parcel.data or b"", True, process)
        if not parcel.over:
            taken.endless, taken.wrong = True, _MANY_FRAMES
        elif parcel.frames > 1:
            taken.wrong = _ONE_FRAME
        elif parcel.data is None:
            taken.wrong = f"message of {parcel.size} bytes; it may have {MOST_BYTES}"
        return taken


class NetworkSource:
    """Clients on the network, whose messages come from a ROUTER socket.

    libzmq delivers a message of many frames as a whole, and does not limit their number. The rest
    of such a message is dropped in slices, so that no turn takes long, and its connection is ended
    so that no more follow.

    Args:
        port: port at which the socket is bound.
        watch: notified of complete messages.
    """

    def __init__(self, socket: zmq.Socket[bytes], port: int, watch: NetworkWatch) -> None:
        self._socket = socket
        self._watch = watch
        self._port = port
        self._skipping: bytes | None = None  # sender of the message that is being dropped
        self._since_s = 0.0
        self.pending = False

    def look(self, now_s: float, holder: bytes) -> bool:
        self.pending = bool(int(self._socket.getsockopt(zmq.EVENTS)) & _POLLIN)
        return self.pending

    def deaf_s(self, now_s: float) -> float:
        """Return how long one message has blocked all others of the network, in s."""
        return now_s - self._since_s if self._skipping is not None else 0.0

    def take(self, end_s: float) -> Taken | None:
        try:
            return self._take(end_s)
        except zmq.Again:
            self.pending = False
            return None

    def _take(self, end_s: float) -> Taken | None:
        socket = self._socket
        if self._skipping is not None:
            return self._skip(end_s)
        client = socket.recv(zmq.NOBLOCK)
        frame = socket.recv(zmq.NOBLOCK, copy=False)
        if not frame.more:
            self._watch.whole(int(frame.get(zmq.SRCFD)))
            return Taken(client, frame.bytes, False)
        self._skipping, self._since_s = client, time.monotonic()
        for _ in range(MOST_FRAMES):
            if not socket.recv(zmq.NOBLOCK, copy=False).more:
                self._skipping = None
                return Taken(client, b"", False, wrong=_ONE_FRAME)
        end_connection(int(frame.get(zmq.SRCFD)), self._port)
        return self._skip(end_s)

    def _skip(self, end_s: float) -> Taken | None:
        receive = self._socket.recv
        while True:
            for _ in range(_SKIPPED_AT_ONCE):
                if not receive(zmq.NOBLOCK, copy=False).more:
                    client, self._skipping = self._skipping, None
                    assert client is not None
                    return Taken(client, b"", False, wrong=_MANY_FRAMES, endless=True)
            if time.monotonic() > end_s:
                return None

    def answer(self, client: bytes, data: bytes) -> bool:
        # Drop the answer if the client has disconnected or does not read.
        with contextlib.suppress(zmq.ZMQError):
            self._socket.send_multipart((client, data), zmq.NOBLOCK)
        return True

    def end(self, client: bytes) -> None:
        """Do nothing: such a connection was ended when its message was seen."""
