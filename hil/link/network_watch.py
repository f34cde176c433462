"""Bounds for network connections: libzmq has none for the frames of a message, or for topics."""

from __future__ import annotations

import contextlib
import os
import socket as sockets
import struct
from dataclasses import dataclass
from typing import Any

import zmq

# A request has 131 kB at most. Far more without a complete message is an endless one.
MOST_UNFINISHED_BYTES = 1_000_000
# Heartbeats of the transport and handshakes are not messages. Measured here: 0.1 kB/s.
QUIET_BYTES_PER_S = 2000.0
MOST_CONNECTIONS = 64  # of both ports together
_EVENTS_AT_ONCE = 8
_TCP_INFO_BYTES = 136
_RECEIVED = struct.Struct("Q")
_RECEIVED_AT = 128  # tcpi_bytes_received of struct tcp_info, linux/tcp.h
_ENDED = zmq.EVENT_DISCONNECTED | zmq.EVENT_CLOSED
_FAILED = (
    zmq.EVENT_HANDSHAKE_FAILED_AUTH
    | zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL
    | zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL
)


@dataclass(slots=True)
class _Watched:
    port: int
    since_s: float
    whole_bytes: int = 0  # received when the latest whole message was taken
    whole_s: float = 0.0


class NetworkWatch:
    """Watch that ends connections with endless messages, and those beyond the limit.

    Checks one connection per call, by the system's count of received bytes.
    """

    def __init__(self) -> None:
        from zmq.utils.monitor import parse_monitor_message  # imports asyncio: not for each client

        self._parsed = parse_monitor_message
        self._monitors: list[tuple[zmq.Socket[bytes], int]] = []
        self._watched: dict[int, _Watched] = {}
        self._whole: set[int] = set()  # file descriptors with a complete message since checked
        self._order: list[int] = []

    def add(self, socket: zmq.Socket[bytes]) -> zmq.Socket[bytes]:
        """Watch the connections of a socket, before it is bound; returns its monitor."""
        events = zmq.EVENT_ACCEPTED | _ENDED | _FAILED
        monitor: zmq.Socket[bytes] = socket.get_monitor_socket(events)
        return monitor

    def bound(self, monitor: zmq.Socket[bytes], port: int) -> None:
        self._monitors.append((monitor, port))

    def whole(self, fd: int) -> None:
        """Note a complete message of a connection."""
        self._whole.add(fd)

    def look(self, now_s: float) -> None:
        for monitor, port in self._monitors:
            for _ in range(_EVENTS_AT_ONCE):
                if not int(monitor.getsockopt(zmq.EVENTS)) & zmq.POLLIN:
                    break
                self._note(self._parsed(monitor.recv_multipart(zmq.NOBLOCK)), port, now_s)
        if not self._order:
            self._order = list(self._watched)
        if self._order:
            self._judge(self._order.pop(), now_s)

    def _note(self, event: Any, port: int, now_s: float) -> None:
        fd = int(event["value"])
        if event["event"] == zmq.EVENT_ACCEPTED:
            if len(self._watched) >= MOST_CONNECTIONS:
                end_connection(fd, port)
                return
            self._watched[fd] = _Watched(port, now_s, 0, now_s)
            self._whole.discard(fd)
        elif event["event"] & _ENDED:
            self._watched.pop(fd, None)

    def _judge(self, fd: int, now_s: float) -> None:
        one = self._watched.get(fd)
        if one is None:
            return
        received = received_bytes(fd, one.port)
        if received is None:
            del self._watched[fd]  # closed, or the number is another file's now
            return
        if fd in self._whole:
            self._whole.discard(fd)
            one.whole_bytes, one.whole_s = received, now_s
        allowed = MOST_UNFINISHED_BYTES + QUIET_BYTES_PER_S * (now_s - one.whole_s)
        if received - one.whole_bytes > allowed:
            end_connection(fd, one.port)
            del self._watched[fd]

    def close(self) -> None:
        for monitor, _ in self._monitors:
            monitor.close(0)


def _connection(fd: int, port: int) -> sockets.socket | None:
    """Return a second handle of a TCP connection accepted at ``port``, else None."""
    try:
        connection = sockets.socket(fileno=os.dup(fd))
    except OSError:
        return None
    with contextlib.suppress(OSError):
        inet = connection.family in (sockets.AF_INET, sockets.AF_INET6)
        if inet and connection.getsockname()[1] == port:
            return connection
    connection.close()
    return None


def received_bytes(fd: int, port: int) -> int | None:
    """Return the bytes received by a connection of ``port``; None if ``fd`` is not one."""
    connection = _connection(fd, port)
    if connection is None:
        return None
    with connection:
        try:
            info = connection.getsockopt(sockets.IPPROTO_TCP, sockets.TCP_INFO, _TCP_INFO_BYTES)
        except (OSError, AttributeError):
            return 0  # another system, without this count
    return int(_RECEIVED.unpack_from(info, _RECEIVED_AT)[0]) if len(info) >= 136 else 0


def end_connection(fd: int, port: int) -> None:
    """End a TCP connection of this process, if ``fd`` is one accepted at ``port``."""
    connection = _connection(fd, port)
    if connection is not None:
        with connection, contextlib.suppress(OSError):
            connection.shutdown(sockets.SHUT_RDWR)
