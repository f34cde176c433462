"""Sockets of a rig host: bound in its private directory and, encrypted, on the network."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import IO

import zmq

from hil.link.directory import LOCK, REQUESTS, SAMPLES, endpoint, make_link_directory
from hil.link.errors import LinkError
from hil.link.io_thread import raise_io_thread
from hil.link.keys import ServerKeys
from hil.link.messages import MOST_BYTES_ANSWERED
from hil.link.zap_handler import DOMAIN, ZapHandler

_SUBSCRIPTION_BYTES = 4096
_LINGER_MS = 500
# Messages kept from one client that are not read yet: with the bytes of each, what a client may
# make this process hold. A client that waits for its answers has one.
_REQUESTS_KEPT = 200


class ServerSockets:
    """Binds everything or nothing.

    Args:
        directory: made with mode 0700, or refused if others may enter it.
        kept: messages kept for a subscriber that does not take them.
        tcp: ``HOST:PORT`` for requests, the next port for samples; needs ``keys``.

    Attributes:
        admission: decides who may connect over the network; to be polled.
        tcp: the address served, with the real port; or None.
        samples_port: on the network, else 0.

    Raises:
        LinkError: the directory is not private or in use, or an address cannot be bound.
    """

    def __init__(
        self, directory: Path, kept: int, tcp: str | None, keys: ServerKeys | None
    ) -> None:
        if tcp is not None and keys is None:
            raise LinkError(
                "the network link is encrypted only: give the key directory as well (--keys)"
            )
        self._directory = directory
        self.admission: ZapHandler | None = None
        self.tcp: str | None = None
        self.samples_port = 0
        make_link_directory(directory)
        self._lock = _lock(directory)
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        try:
            self.requests = self._socket(zmq.ROUTER, MOST_BYTES_ANSWERED)
            self.requests.setsockopt(zmq.RCVHWM, _REQUESTS_KEPT)
            self.samples = self._socket(zmq.PUB, _SUBSCRIPTION_BYTES)
            self.samples.setsockopt(zmq.SNDHWM, kept)
            raise_io_thread()
            _bind(self.samples, endpoint(directory, SAMPLES))
            _bind(self.requests, endpoint(directory, REQUESTS))
            if tcp is not None and keys is not None:
                self._serve_network(tcp, keys)
        except BaseException:
            self._context.destroy(linger=0)
            self._lock.close()
            raise

    def close(self) -> None:
        """Let what was sent leave (half a second at most) and free the directory."""
        if self._context.closed:
            return
        if self.admission is not None:
            self.admission.close()
        self.samples.close(_LINGER_MS)
        self.requests.close(_LINGER_MS)
        self._context.term()
        for name in (SAMPLES, REQUESTS):
            with contextlib.suppress(OSError):
                (self._directory / name).unlink()
        self._lock.close()

    def _socket(self, kind: int, most_bytes: int) -> zmq.Socket[bytes]:
        socket: zmq.Socket[bytes] = self._context.socket(kind)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.MAXMSGSIZE, most_bytes)
        return socket

    def _serve_network(self, tcp: str, keys: ServerKeys) -> None:
        host, _, port_text = tcp.rpartition(":")
        if not host or not port_text.isdigit() or int(port_text) > 65534:
            raise LinkError(f"'{tcp}' is no address to serve on; write HOST:PORT, 0.0.0.0:5600")
        self.admission = ZapHandler(self._context, keys.allowed)
        ports = []
        for socket, offset in ((self.requests, 0), (self.samples, 1)):
            # These options hold for what is bound from here on; the local endpoints keep theirs.
            socket.setsockopt(zmq.CURVE_SERVER, 1)
            socket.setsockopt(zmq.CURVE_SECRETKEY, keys.secret.encode())
            socket.setsockopt(zmq.ZAP_DOMAIN, DOMAIN.encode())
            socket.setsockopt(zmq.ZAP_ENFORCE_DOMAIN, 1)
            socket.setsockopt(zmq.HEARTBEAT_IVL, 1000)
            socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, 5000)
            port = int(port_text)
            _bind(socket, f"tcp://{host}:{port + offset if port else '*'}")
            bound = socket.getsockopt_string(zmq.LAST_ENDPOINT)
            ports.append(int(bound.rpartition(":")[2]))
        self.tcp = f"{host}:{ports[0]}"
        self.samples_port = ports[1]


def _lock(directory: Path) -> IO[bytes]:
    try:
        lock = (directory / LOCK).open("ab")
    except OSError as error:
        raise LinkError(f"link directory '{directory}' cannot be used: {error.strerror}") from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise LinkError(
            f"another rig host serves '{directory}' already; end it or use another link directory"
        ) from None
    return lock


def _bind(socket: zmq.Socket[bytes], address: str) -> None:
    try:
        socket.bind(address)
    except zmq.ZMQError as error:
        raise LinkError(f"'{address}' cannot be bound: {os.strerror(error.errno or 0)}") from None
