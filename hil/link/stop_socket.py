"""A client's second connection to a local rig host, for stops alone."""

from __future__ import annotations

import socket
from pathlib import Path

from hil.link.messages import MOST_BYTES
from hil.link.zmtp import GREETING, Incoming, ProtocolError, framed, ready

_READ_BYTES = 16_384


class StopSocket:
    """Sender in the calling thread, without waiting.

    The library passes each message to its own thread, which may be delayed on a busy computer, and
    queues it behind earlier messages. Through this socket the system has the stop when the call
    returns.

    Args:
        path: path of the rig host's requests in the file system.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._socket: socket.socket | None = None
        self._incoming = self._peer()
        self._open()

    @property
    def number(self) -> int:
        """File descriptor; -1 if it is not connected."""
        return -1 if self._socket is None else self._socket.fileno()

    def send(self, data: bytes) -> bool:
        """Send one message, reconnecting if necessary; False if that fails."""
        message = framed(data)
        for _ in range(2):
            if self._socket is None and not self._open():
                return False
            assert self._socket is not None
            try:
                if self._socket.send(message) == len(message):
                    return True
            except BlockingIOError:  # nothing of it was sent, and earlier ones are still unread
                return False
            except OSError:
                pass
            self.close()
        return False

    def reply(self) -> bytes | None:
        """Return the next received answer, or None; never waits."""
        while self._socket is not None:
            try:
                parcel = self._incoming.take()
                if parcel is None:
                    data = self._socket.recv(_READ_BYTES)
                    if not data:
                        raise ProtocolError
                    self._incoming.feed(memoryview(data))
                    continue
            except BlockingIOError:
                return None
            except (ProtocolError, OSError):
                self.close()
                return None
            if parcel.data is not None:
                return parcel.data
        return None

    def close(self) -> None:
        """End the connection; ``send`` makes a new one."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    @staticmethod
    def _peer() -> Incoming:
        return Incoming(b"DEALER", MOST_BYTES, MOST_BYTES)

    def _open(self) -> bool:
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        connection.setblocking(False)
        try:
            connection.connect(str(self._path))
            # No need to wait for the rig host's greeting.
            connection.send(GREETING + ready(b"DEALER"))
        except OSError:
            connection.close()
            return False
        self._socket, self._incoming = connection, self._peer()
        return True
