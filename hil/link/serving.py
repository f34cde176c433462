"""Sockets of a rig host: bound in its private directory and, encrypted, on the network."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import IO

import zmq

from hil.link.directory import LOCK, REQUESTS, SAMPLES, make_link_directory
from hil.link.errors import LinkError
from hil.link.io_thread import raise_io_thread
from hil.link.keys import ServerKeys
from hil.link.local_port import SamplesPort
from hil.link.messages import MOST_BYTES_ANSWERED
from hil.link.network_watch import NetworkWatch
from hil.link.sources import LocalSource, NetworkSource, Source
from hil.link.zap_handler import DOMAIN, ZapHandler

_SUBSCRIPTION_BYTES = 4096
_LINGER_S = 0.5
# Unread messages kept from one client on the network; with their size, this bounds the memory it
# can use here. A client that waits for its answers has one.
_REQUESTS_KEPT = 32
_HANDSHAKE_MS = 5000  # a slow network may need a second or two
_ADMISSION_S = 0.005  # between checks for new network connections


class ServerSockets:
    """Sockets of a rig host: all are bound, or none.

    Args:
        directory: created with mode 0700, or refused if other users may enter it.
        kept: messages kept for a subscriber that does not read them.
        tcp: ``HOST:PORT`` for requests, the next port for samples; needs ``keys``.

    Attributes:
        samples: local port of the samples.
        sources: sources of requests.
        tcp: the address served, with the real port; or None.
        samples_port: samples port on the network, else 0.

    Raises:
        LinkError: the directory is not private or in use, or an address cannot be bound.
    """

    def __init__(
        self, directory: Path, kept: int, tcp: str | None, keys: ServerKeys | None
    ) -> None:
        if tcp is not None and keys is None:
            raise LinkError(
                "a network link is always encrypted: give the key directory as well (--keys)"
            )
        self.tcp: str | None = None
        self.samples_port = 0
        make_link_directory(directory)
        with contextlib.ExitStack() as bound:
            bound.callback(_lock(directory).close)
            self.samples = SamplesPort(directory / SAMPLES, kept)
            bound.callback(self.samples.close, _LINGER_S)
            local = LocalSource(directory / REQUESTS)
            bound.callback(local.port.close, _LINGER_S)
            self.sources: list[Source] = [local]
            self._network: _Network | None = None
            if tcp is not None and keys is not None:
                self._network = bound.enter_context(contextlib.closing(_Network(tcp, keys, kept)))
                self.sources.append(self._network.source)
                self.tcp = self._network.address
                self.samples_port = self._network.samples_port
            self._bound = bound.pop_all()

    def admit(self, now_s: float) -> None:
        """Accept clients from the network."""
        if self._network is not None:
            self._network.admit(now_s)

    def publish(self, data: bytes) -> None:
        """Send to every subscriber; a slow one never blocks."""
        self.samples.publish(data)
        if self._network is not None:
            self._network.samples.send(data, zmq.NOBLOCK)

    def deaf_s(self, now_s: float) -> float:
        """Return how long one endless message has blocked all others of the network, in s."""
        return self._network.source.deaf_s(now_s) if self._network is not None else 0.0

    def close(self) -> None:
        """Send what is queued (half a second at most) and free the directory."""
        self._bound.close()


class _Network:
    """Encrypted sockets of libzmq."""

    def __init__(self, tcp: str, keys: ServerKeys, kept: int) -> None:
        host, _, port_text = tcp.rpartition(":")
        if not host or not port_text.isdigit() or int(port_text) > 65534:
            raise LinkError(f"'{tcp}' is not an address to serve on; write HOST:PORT, 0.0.0.0:5600")
        port = int(port_text)
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._watch = NetworkWatch()
        try:
            self._admission = ZapHandler(self._context, keys.allowed)
            self._requests = self._socket(zmq.ROUTER, MOST_BYTES_ANSWERED, keys)
            self._requests.setsockopt(zmq.RCVHWM, _REQUESTS_KEPT)
            self.samples = self._socket(zmq.PUB, _SUBSCRIPTION_BYTES, keys)
            self.samples.setsockopt(zmq.SNDHWM, kept)
            monitors = [self._watch.add(socket) for socket in (self._requests, self.samples)]
            raise_io_thread()
            bound = _bind(self._requests, f"tcp://{host}:{port or '*'}")
            self.samples_port = _bind(self.samples, f"tcp://{host}:{port + 1 if port else '*'}")
            for monitor, at in zip(monitors, (bound, self.samples_port), strict=True):
                self._watch.bound(monitor, at)
        except BaseException:
            self._context.destroy(linger=0)
            raise
        self.address = f"{host}:{bound}"
        self.source = NetworkSource(self._requests, bound, self._watch)
        self._next_admission_s = 0.0

    def admit(self, now_s: float) -> None:
        if now_s >= self._next_admission_s:
            self._next_admission_s = now_s + _ADMISSION_S
            self._admission.poll()
            self._watch.look(now_s)

    def close(self) -> None:
        for socket in (self._requests, self.samples):
            socket.disable_monitor()
        self._watch.close()
        self._admission.close()
        self.samples.close(round(1000 * _LINGER_S))
        self._requests.close(round(1000 * _LINGER_S))
        self._context.term()

    def _socket(self, kind: int, most_bytes: int, keys: ServerKeys) -> zmq.Socket[bytes]:
        socket: zmq.Socket[bytes] = self._context.socket(kind)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.MAXMSGSIZE, most_bytes)
        socket.setsockopt(zmq.CURVE_SERVER, 1)
        socket.setsockopt(zmq.CURVE_SECRETKEY, keys.secret.encode())
        socket.setsockopt(zmq.ZAP_DOMAIN, DOMAIN.encode())
        socket.setsockopt(zmq.ZAP_ENFORCE_DOMAIN, 1)
        socket.setsockopt(zmq.HANDSHAKE_IVL, _HANDSHAKE_MS)
        socket.setsockopt(zmq.HEARTBEAT_IVL, 1000)
        socket.setsockopt(zmq.HEARTBEAT_TIMEOUT, 5000)
        return socket


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


def _bind(socket: zmq.Socket[bytes], address: str) -> int:
    """Bind, and return the port."""
    try:
        socket.bind(address)
    except zmq.ZMQError as error:
        raise LinkError(f"'{address}' cannot be bound: {os.strerror(error.errno or 0)}") from None
    return int(socket.getsockopt_string(zmq.LAST_ENDPOINT).rpartition(":")[2])
