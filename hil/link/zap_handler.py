"""Access over the network: answers to ZeroMQ's authentication requests (RFC 27)."""

from __future__ import annotations

import contextlib
from typing import Any

import zmq
from zmq.utils import z85

DOMAIN = "hookeline"
_ENDPOINT = "inproc://zeromq.zap.01"
_AT_ONCE = 8


class ZapHandler:
    """Handler that admits only the listed CURVE keys. Polled, because the cycle has no threads.

    Must be bound before the first encrypted socket of its context.

    Args:
        context: context of the sockets it guards.
        allowed: name of each client by its public key (Z85).
    """

    def __init__(self, context: zmq.Context[Any], allowed: dict[str, str]) -> None:
        self._allowed = {z85.decode(key): name.encode() for key, name in allowed.items()}
        self._socket: zmq.Socket[bytes] = context.socket(zmq.ROUTER)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.bind(_ENDPOINT)

    def poll(self) -> None:
        """Answer waiting requests, a few at a time."""
        for _ in range(_AT_ONCE):
            if not int(self._socket.getsockopt(zmq.EVENTS)) & zmq.POLLIN:
                return
            self._answer(self._socket.recv_multipart(zmq.NOBLOCK))

    def _answer(self, frames: list[bytes]) -> None:
        # Address up to the empty frame; then version, request id, domain, address, identity,
        # mechanism and credentials.
        split = frames.index(b"") + 1
        address, request = frames[:split], frames[split:]
        name = None
        if len(request) == 7 and request[2] == DOMAIN.encode() and request[5] == b"CURVE":
            name = self._allowed.get(request[6])
        status, text = (b"200", b"OK") if name else (b"400", b"this key is not allowed")
        reply = [*address, b"1.0", request[1], status, text, name or b"", b""]
        with contextlib.suppress(zmq.Again):
            self._socket.send_multipart(reply, zmq.NOBLOCK)

    def close(self) -> None:
        self._socket.close()
