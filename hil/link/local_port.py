"""Connections of local clients, served from within the cycle: bounded in number, bytes and time."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import time
from collections import Counter, deque
from pathlib import Path
from typing import Final

from hil.link.errors import LinkError
from hil.link.zmtp import Incoming, Parcel, ProtocolError, framed

# Of one port: the drive needs some of the process's file descriptors (1024 by default).
MOST_PEERS = 300  # not Final, as SHAKE_S below: tests lower both
SHAKE_S = 2.0  # for the handshake. Common practice, no source
_ACCEPT_S: Final = 0.002  # between two connections; each costs about 50 us of a cycle
_READ_BYTES: Final = 65_536
# Of answers that a peer does not read; later ones are dropped. A hello's answer has about 20 kB.
_UNSENT_BYTES: Final = 262_144
_BACKLOG: Final = 128
_READY_AT_ONCE: Final = 64
_SENT_AT_ONCE: Final = 4  # messages to one peer; a block of samples costs about 8 us
_MOST_TOPICS: Final = 8
_TOPIC_BYTES: Final = 64  # of a subscription; those of this program are empty
_LOOK_S: Final = 0.004  # between two looks for new subscribers: each costs a call of the system
_DIRECT: Final = 4  # subscribers served within the call that publishes
_CREDENTIALS: Final = struct.Struct("3i")
_SO_PEERCRED: Final = getattr(socket, "SO_PEERCRED", None)


class Peer:
    """One connection.

    Attributes:
        id: identity on the link.
        process: number of its process, 0 if unknown.
        received_s: time of its latest message.
        queue: messages to be sent; shared between peers, never changed.
    """

    __slots__ = (
        "ending",
        "fd",
        "id",
        "incoming",
        "process",
        "queue",
        "queued_bytes",
        "ready",
        "received_s",
        "sent",
        "socket",
        "topics",
    )

    def __init__(self, connection: socket.socket, incoming: Incoming, now_s: float) -> None:
        self.socket = connection
        self.fd = connection.fileno()
        self.id = b"\0" + os.urandom(7)
        self.process = 0
        if _SO_PEERCRED is not None:
            with contextlib.suppress(OSError):
                found = connection.getsockopt(socket.SOL_SOCKET, _SO_PEERCRED, _CREDENTIALS.size)
                self.process = _CREDENTIALS.unpack(found)[0]
        self.incoming = incoming
        self.received_s = now_s
        self.queue: deque[bytes] = deque()
        self.queued_bytes = 0
        self.sent = 0  # bytes of the first of the queue that have left
        self.ready = False  # has data to be read
        self.ending = False  # ends once its queue is sent
        self.topics: tuple[bytes, ...] = ()

    def send(self) -> bool:
        """Send a few messages, as far as the system takes them; False if disconnected."""
        queue = self.queue
        try:
            for _ in range(min(len(queue), _SENT_AT_ONCE)):
                first = queue[0]
                with memoryview(first) as view:
                    self.sent += self.socket.send(view[self.sent :])
                if self.sent < len(first):
                    return True
                queue.popleft()
                self.queued_bytes -= len(first)
                self.sent = 0
        except BlockingIOError:
            return True
        except OSError:
            return False
        return bool(queue) or not self.ending

    def put(self, data: bytes) -> None:
        self.queue.append(data)
        self.queued_bytes += len(data)


class LocalPort:
    """Listener at a socket of the file system that reads each connection in turn.

    Args:
        path: path of the socket; an existing file there is removed.
        socket_type: sent to the peers.
        most_bytes: largest size of a message that is delivered.
        most_skipped: largest size of one that is read only to be answered.

    Attributes:
        keep: id of a peer whose connection is not ended to make room for another.

    Raises:
        LinkError: the path cannot be bound.
    """

    def __init__(self, path: Path, socket_type: bytes, most_bytes: int, most_skipped: int) -> None:
        self._path = path
        self._limits = (socket_type, most_bytes, most_skipped)
        self.keep = b""
        self.peers: dict[bytes, Peer] = {}
        self._of_fd: dict[int, Peer] = {}
        self._turns: deque[Peer] = deque()
        self._unsent: deque[Peer] = deque()
        self._buffer = memoryview(bytearray(_READ_BYTES))
        self._next_sweep_s = self._next_accept_s = 0.0
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            with contextlib.suppress(FileNotFoundError):
                path.unlink()
            self._listener.bind(str(path))
            self._listener.listen(_BACKLOG)
        except OSError as error:
            self._listener.close()
            raise LinkError(f"'{path}' cannot be bound: {error.strerror}") from None
        self._listener.setblocking(False)
        self._epoll = select.epoll()
        self._epoll.register(self._listener.fileno(), select.EPOLLIN)

    # ------------------------------------------------------------------ receiving

    def look(self, now_s: float) -> bool:
        """Accept a connection and find peers with data; return whether there is any to read."""
        accept = False
        for fd, _ in self._epoll.poll(0, _READY_AT_ONCE):
            peer = self._of_fd.get(fd)
            if peer is None:
                accept = True
            elif not peer.ready:
                peer.ready = True
                self._turns.append(peer)
        if accept and now_s >= self._next_accept_s:
            self._next_accept_s = now_s + _ACCEPT_S
            self._accept(now_s)
        if now_s >= self._next_sweep_s:
            self._next_sweep_s = now_s + SHAKE_S / 4
            for peer in list(self.peers.values()):
                if (peer.ending or not peer.incoming.open) and now_s - peer.received_s > SHAKE_S:
                    self.drop(peer)
        return bool(self._turns)

    def first(self, id: bytes) -> None:
        """Give this peer the next turn, if it has sent anything."""
        peer = self.peers.get(id)
        if peer is not None and peer.ready and self._turns[0] is not peer:
            self._turns.remove(peer)
            self._turns.appendleft(peer)

    def take(self) -> tuple[Peer, Parcel] | None:
        """Return one message of the peer whose turn it is; None if none is complete yet.

        Reads once from the socket at most. Call it while ``pending``.
        """
        peer = self._turns.popleft()
        peer.ready = False
        if peer.fd < 0 or peer.ending:
            return None
        incoming = peer.incoming
        try:
            parcel = incoming.take()
            if parcel is None:
                read = peer.socket.recv_into(self._buffer)
                if not read:
                    raise ProtocolError
                incoming.feed(self._buffer[:read])
                parcel = incoming.take()
            if incoming.answers:
                answers, incoming.answers = incoming.answers, b""
                self._give(peer, answers)
        except BlockingIOError:
            return None
        except (ProtocolError, OSError):
            self.drop(peer)
            return None
        if peer.fd < 0:
            return None
        if parcel is None:
            return None  # epoll reports further data
        peer.ready = True
        self._turns.append(peer)
        peer.received_s = time.monotonic()
        return peer, parcel

    @property
    def pending(self) -> bool:
        """True if some peer has data to be read."""
        return bool(self._turns)

    # ------------------------------------------------------------------ sending

    def answer(self, id: bytes, data: bytes) -> bool:
        """Send a message to one peer, dropped if too many wait; False if it is unknown."""
        peer = self.peers.get(id)
        if peer is None:
            return False
        if peer.queued_bytes < _UNSENT_BYTES:
            self._give(peer, framed(data))
        return True

    def end(self, id: bytes) -> None:
        """End a connection once its queue is sent."""
        peer = self.peers.get(id)
        if peer is not None:
            peer.ending = True
            if not peer.send():
                self.drop(peer)

    def send_rest(self, most: int) -> None:
        """Continue sending to ``most`` of the peers with queued messages."""
        for _ in range(min(most, len(self._unsent))):
            peer = self._unsent.popleft()
            if peer.fd < 0:
                continue
            if not peer.send():
                self.drop(peer)
            elif peer.queue:
                self._unsent.append(peer)

    def _give(self, peer: Peer, data: bytes) -> None:
        waited = bool(peer.queue)
        peer.put(data)
        if waited:
            return
        if not peer.send():
            self.drop(peer)
        elif peer.queue:
            self._unsent.append(peer)

    # ------------------------------------------------------------------ connections

    def drop(self, peer: Peer) -> None:
        """End a connection now."""
        if peer.fd < 0:
            return
        del self.peers[peer.id], self._of_fd[peer.fd]
        peer.fd = -1
        peer.queue.clear()
        peer.socket.close()  # also removes it from epoll

    def _accept(self, now_s: float) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        connection.setblocking(False)
        if len(self.peers) >= MOST_PEERS:
            self._make_room()
        peer = Peer(connection, Incoming(*self._limits), now_s)
        self.peers[peer.id] = peer
        self._of_fd[peer.fd] = peer
        self._epoll.register(peer.fd, select.EPOLLIN)
        answers, peer.incoming.answers = peer.incoming.answers, b""
        self._give(peer, answers)

    def _make_room(self) -> None:
        """End the longest silent connection of the process that has the most."""
        count = Counter(peer.process for peer in self.peers.values())
        most = count.most_common(1)[0][0]
        theirs = (p for p in self.peers.values() if p.process == most and p.id != self.keep)
        self.drop(min(theirs, key=lambda peer: peer.received_s))

    def close(self, linger_s: float) -> None:
        """Send what is queued, within ``linger_s``; remove the socket."""
        deadline = time.monotonic() + linger_s
        while self._unsent and time.monotonic() < deadline:
            waiting = select.poll()
            for peer in self._unsent:
                if peer.fd >= 0:
                    waiting.register(peer.fd, select.POLLOUT)
            waiting.poll(20)
            self.send_rest(len(self._unsent))
        for peer in list(self.peers.values()):
            self.drop(peer)
        self._epoll.close()
        self._listener.close()
        with contextlib.suppress(OSError):
            self._path.unlink()


class SamplesPort(LocalPort):
    """Port that publishes to its subscribers.

    Args:
        kept: messages kept for a subscriber that does not read them; later ones are dropped.
    """

    def __init__(self, path: Path, kept: int) -> None:
        super().__init__(path, b"PUB", most_bytes=_TOPIC_BYTES, most_skipped=_TOPIC_BYTES)
        self._kept = kept
        self._next_look_s = 0.0

    def turn(self, now_s: float) -> None:
        """Read from one subscriber, and continue sending to one that lags."""
        if now_s >= self._next_look_s:
            self._next_look_s = now_s + _LOOK_S
            self.look(now_s)
        if self._turns:
            taken = self.take()
            if taken is not None:
                self._subscribe(*taken)
        if self._unsent:
            self.send_rest(1)

    def publish(self, data: bytes) -> None:
        """Send a message to each subscriber: to a few at once, to the others in turn."""
        message = framed(data)
        direct = _DIRECT
        for peer in list(self.peers.values()):
            if not data.startswith(peer.topics) or len(peer.queue) >= self._kept:
                continue
            if peer.queue:
                peer.put(message)
            elif direct:
                direct -= 1
                self._give(peer, message)
            else:
                peer.put(message)
                self._unsent.append(peer)

    def _subscribe(self, peer: Peer, parcel: Parcel) -> None:
        said = parcel.data
        if not said or said[0] > 1 or len(peer.topics) >= _MOST_TOPICS:
            self.drop(peer)
            return
        others = [topic for topic in peer.topics if topic != said[1:]]
        peer.topics = (*others, said[1:]) if said[0] else tuple(others)
