"""Receive side of the requests socket: cheap checks first, within budgets."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import zmq

from hil.link.budgets import Budgets
from hil.link.messages import (
    ENVELOPE,
    MOST_BYTES,
    MOST_BYTES_WATCHER,
    MOST_COLONS,
    Envelope,
    explain,
    id_of,
)

# Frames of one message that are read to answer it as wrong; beyond them its sender is cut off.
MOST_FRAMES = 16
STOP_BYTES = 2048  # of a message of a client that was cut off, in which a stop is looked for
_LOCAL = "localhost:"  # libzmq's word for a peer on a local socket; one on TCP has a number
_SKIPPED_AT_ONCE = 16  # frames between two looks at the clock
# Messages taken from the socket and not yet read: a stop among them comes first. Taking one costs
# 4 us, reading one up to 100 us.
MOST_WAITING = 16
_POLLIN = int(zmq.POLLIN)


@dataclass(slots=True)
class Received:
    """One message: understood (``said``), or refused with ``text`` (empty: without a word)."""

    client: bytes
    said: Envelope | None
    received_s: float
    local: bool = True
    id: int = 0
    text: str = ""
    cut_off: bool = False  # from this message on


@dataclass(slots=True)
class _Waiting:
    """A message that is not read yet (``frame``), or is (``received``)."""

    client: bytes
    received_s: float
    frame: zmq.Frame | None = None
    data: bytes = b""  # of a message that may be a stop
    received: Received | None = None

    @property
    def stop(self) -> bool:
        said = self.received.said if self.received is not None else None
        return said is not None and said.type == "request" and said.request.kind == "stop"


class Receiver:
    """Takes single-frame messages from a ROUTER socket; reads them in their order, stops first.

    libzmq delivers a message of many frames as a whole, and knows no limit to their number. The
    rest of such a message is dropped in slices, so that no turn takes long.
    """

    def __init__(self, socket: zmq.Socket[bytes], budgets: Budgets) -> None:
        self._socket = socket
        self._budgets = budgets
        self._waiting: deque[_Waiting] = deque()
        self._skipping: bytes | None = None  # sender of the message that is being dropped
        self._since_s = 0.0

    @property
    def waiting(self) -> bool:
        """Whether there is something to be received."""
        return bool(self._waiting) or bool(int(self._socket.getsockopt(zmq.EVENTS)) & _POLLIN)

    def deaf_s(self, now_s: float) -> float:
        """Return how long one message has kept all others waiting, in s."""
        return now_s - self._since_s if self._skipping is not None else 0.0

    def batch(self, holder: bytes, end_s: float, most: int) -> Iterator[Received]:
        """Yield what there is, stops first, in the order of arrival otherwise.

        Args:
            holder: client that may send long messages.
            end_s: of the time for it; one message is read however late it is.
            most: messages.
        """
        waiting = self._waiting
        try:
            while len(waiting) < MOST_WAITING and self._take(end_s):
                pass
        except zmq.Again:
            pass
        # One stop is enough to have the bench stopped, and all others keep their turn: a flood of
        # stops must not keep the holder of control from being heard.
        for one in [one for one in waiting if one.data and one.received is None]:
            one.received = self._read(one, holder)
            if one.stop:
                waiting.remove(one)
                yield one.received
                most -= 1
                break
            if time.monotonic() > end_s:
                break
        while waiting and most > 0:
            one = waiting.popleft()
            yield one.received or self._read(one, holder)
            most -= 1
            if time.monotonic() > end_s:
                return

    def _take(self, end_s: float) -> bool:
        """Take one message from the socket; False if it is not over by ``end_s``."""
        socket = self._socket
        if self._skipping is not None:
            return self._skip(end_s)
        client = socket.recv(zmq.NOBLOCK)
        frame = socket.recv(zmq.NOBLOCK, copy=False)
        now_s = time.monotonic()  # anew: this process may have been held up since the last
        if frame.more:
            self._skipping, self._since_s = client, now_s
            for _ in range(MOST_FRAMES):
                if not socket.recv(zmq.NOBLOCK, copy=False).more:
                    self._skipping = None
                    self._refuse(client, "a message is one frame", now_s)
                    return True
            return self._skip(end_s)
        data = frame.bytes if len(frame.buffer) <= STOP_BYTES else b""
        if b'"stop"' not in data:
            data = b""
        if self._budgets.is_cut(client):
            if data:
                self._waiting.append(_Waiting(client, now_s, frame, data))
        elif self._budgets.message(client, now_s):
            self._waiting.append(_Waiting(client, now_s, frame, data))
        else:
            self._cut(client, "too many messages", now_s)
        return True

    def _skip(self, end_s: float) -> bool:
        receive = self._socket.recv
        while True:
            for _ in range(_SKIPPED_AT_ONCE):
                if not receive(zmq.NOBLOCK, copy=False).more:
                    client, self._skipping = self._skipping, None
                    assert client is not None
                    if not self._budgets.is_cut(client):
                        why = f"a message of more than {MOST_FRAMES} frames"
                        self._cut(client, why, time.monotonic())
                    return True
            if time.monotonic() > end_s:
                return False

    def _read(self, one: _Waiting, holder: bytes) -> Received:
        frame, client, now_s = one.frame, one.client, one.received_s
        assert frame is not None
        size = len(frame.buffer)
        is_cut = self._budgets.is_cut(client)
        if is_cut and not one.data:
            return Received(client, None, now_s)
        most = MOST_BYTES if client == holder else MOST_BYTES_WATCHER
        if size > most:
            without = "" if client == holder else "without control "
            return self._wrong(client, f"message of {size} bytes; {without}it may have {most}", one)
        data = one.data or frame.bytes
        if data.count(b":") > MOST_COLONS:
            return self._wrong(client, f"message of more than {MOST_COLONS} keys", one)
        try:
            said = ENVELOPE.validate_json(data)
        except ValueError as error:
            return self._wrong(client, explain(error), one, id_of(data))
        if is_cut and not (said.type == "request" and said.request.kind == "stop"):
            return Received(client, None, now_s)
        return Received(client, said, now_s, _is_local(frame))

    def _wrong(self, client: bytes, text: str, one: _Waiting, id: int = 0) -> Received:
        now_s = one.received_s
        if self._budgets.is_cut(client):
            return Received(client, None, now_s)
        if self._budgets.mistake(client, now_s):
            return Received(client, None, now_s, id=id, text=text)
        return self._cut_off(client, "too many messages that are not understood", now_s)

    def _refuse(self, client: bytes, text: str, now_s: float) -> None:
        one = _Waiting(client, now_s)
        one.received = self._wrong(client, text, one)
        self._waiting.append(one)

    def _cut(self, client: bytes, why: str, now_s: float) -> None:
        one = _Waiting(client, now_s, received=self._cut_off(client, why, now_s))
        self._waiting.append(one)

    def _cut_off(self, client: bytes, why: str, now_s: float) -> Received:
        self._budgets.cut(client, now_s)
        text = f"cut off: {why}; this connection is no longer heard, stops aside. Fix: connect anew"
        return Received(client, None, now_s, text=text, cut_off=True)


def _is_local(frame: zmq.Frame) -> bool:
    try:
        return str(frame.get("Peer-Address")).startswith(_LOCAL)
    except zmq.ZMQError:
        return False
