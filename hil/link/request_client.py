"""Requests of a client and answers of the rig host."""

from __future__ import annotations

import json
import math
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any

import zmq

from hil.link.connection import Sockets
from hil.link.errors import HostGone, LinkError, Refused
from hil.link.items import Answer
from hil.link.messages import MOST_BYTES, to_json

_SLICE_MS = 5
_NEW_HOST = "this is another rig host than before: check its state, then repeat the request"
# Not obeyed by the rig host if they arrive too late.
_DATED = ("acquire_control", "request", "heartbeat")


class RequestClient:
    """Sender for any thread; one request at a time waits for its answer.

    ``post`` does not wait: ``answers`` returns its answer.

    Args:
        sockets: sockets of the client.
        meanwhile: called repeatedly while waiting for an answer.

    Attributes:
        received_any: whether the rig host ever sent anything.
        seen_s: newest stamp received from it; NaN for none.
        round_trip_s: round trip from the latest request to its answer; NaN before the first.
    """

    def __init__(self, sockets: Sockets, meanwhile: Callable[[], None]) -> None:
        self.received_any = False
        self.seen_s = math.nan
        self.round_trip_s = math.nan
        self._sockets = sockets
        self._meanwhile = meanwhile
        self._number = 0
        self._closed = False
        self._posted: dict[int, tuple[float, float]] = {}  # number: when sent, when given up
        self._answers: deque[Answer] = deque()
        self._unknown = False  # to the rig host that answers now
        self._sending = threading.Lock()  # a ZeroMQ socket is for one thread at a time
        self._asking = threading.Lock()

    @property
    def busy(self) -> bool:
        """True if some thread waits for an answer."""
        return self._asking.locked()

    def send(self, message: dict[str, Any]) -> None:
        """Send without waiting for anything.

        Raises:
            HostGone: no rig host is connected.
            Refused: the message is too long.
        """
        if message["type"] in _DATED:
            if self._sockets.local:
                message["sent_s"] = time.monotonic()
            elif math.isfinite(self.seen_s):
                message["seen_s"] = self.seen_s
        data = to_json(message)
        if len(data) > MOST_BYTES:
            raise Refused(f"message of {len(data)} bytes; it may have {MOST_BYTES}")
        stops = self._sockets.stops
        with self._sending:
            if self._closed:
                raise HostGone("the connection is closed; connect again")
            if stops is not None and _is_stop(message) and stops.send(data):
                return
            try:
                self._sockets.requests.send(data, zmq.NOBLOCK)
            except zmq.Again:
                raise HostGone(self.silence()) from None

    def ask(self, message: dict[str, Any], timeout_s: float, greeting: bool) -> dict[str, Any]:
        """Send, and return the answer.

        Args:
            greeting: the connection is being made: wait for it too.

        Raises:
            HostGone: no answer within ``timeout_s``, or no rig host is connected.
            LinkError: closed by another thread.
        """
        with self._asking:
            self._sort_in()  # answers that came too late for their request
            number = self._next_number()
            asked_s = time.monotonic()
            deadline = asked_s + timeout_s
            self._send_when_connected({**message, "id": number}, deadline if greeting else 0.0)
            waiting = select.poll()
            waiting.register(self._sockets.requests.fileno(), select.POLLIN)
            if (stops := self._sockets.stops) is not None and stops.number >= 0:
                waiting.register(stops.number, select.POLLIN)
            while True:
                for reply in self._replies():
                    # A reply without a number refers to a message too malformed to have one.
                    if reply.get("id") in (number, 0):
                        self.round_trip_s = time.monotonic() - asked_s
                        return reply
                    self._keep(reply)
                if self._closed:
                    raise LinkError("the connection is closed")
                if time.monotonic() > deadline:
                    raise HostGone(self.silence(timeout_s))
                if greeting:
                    self._see_refusal()
                self._meanwhile()
                waiting.poll(_SLICE_MS)

    def post(self, message: dict[str, Any], timeout_s: float) -> int:
        """Send without waiting; returns the number under which ``answers`` returns the answer.

        There is always one: also if no rig host is connected, or none came within ``timeout_s``.

        Raises:
            Refused: the message is too long.
        """
        number = self._next_number()
        try:
            # Entered first: the answer may be there before this call returns.
            self._posted[number] = (now_s := time.monotonic(), now_s + timeout_s)
            self.send({**message, "id": number})
        except HostGone as error:
            self._posted.pop(number, None)
            self._answers.append(Answer(number, False, str(error), silent=True))
        except Refused:
            self._posted.pop(number, None)
            raise
        return number

    def answers(self) -> tuple[list[Answer], bool]:
        """Return the answers received to posted requests; never waits.

        Also returns whether a rig host other than the one greeted answers: greet it.
        """
        if self._asking.acquire(blocking=False):
            try:
                self._sort_in()
            finally:
                self._asking.release()
        now_s = time.monotonic()
        for number in [n for n, (_, due_s) in list(self._posted.items()) if now_s > due_s]:
            if self._posted.pop(number, None) is not None:
                self._answers.append(Answer(number, False, self.silence(), silent=True))
        answers = [self._answers.popleft() for _ in range(len(self._answers))]
        unknown, self._unknown = self._unknown, False
        return answers, unknown

    def silence(self, timeout_s: float = 0.0) -> str:
        """Describe the silence of the rig host, with its fix."""
        after = f" within {timeout_s:g} s" if timeout_s else ""
        where = self._sockets.where
        if not self.received_any:
            fix = "" if self._sockets.local else " and does it allow this client's key"
            return f"no rig host answered at '{where}'{after}; is it running{fix}?"
        return f"the rig host at '{where}' does not answer{after}; it may have ended or be stuck"

    def see(self, stamp_s: float, anew: bool = False) -> None:
        """Note a stamp received from the rig host.

        Args:
            anew: another rig host, whose clock may differ.
        """
        if anew or not stamp_s <= self.seen_s:
            self.seen_s = stamp_s

    def close(self) -> None:
        with self._sending:
            self._closed = True
            self._sockets.close()

    def _send_when_connected(self, message: dict[str, Any], deadline_s: float) -> None:
        while True:
            try:
                self.send(message)
                return
            except HostGone:
                if self._closed or time.monotonic() > deadline_s:
                    raise
                self._see_refusal()
                time.sleep(0.005)

    def _next_number(self) -> int:
        with self._sending:
            self._number += 1
            return self._number

    def _sort_in(self) -> None:
        for reply in self._replies():
            self._keep(reply)

    def _keep(self, reply: dict[str, Any]) -> None:
        """Keep the answer to a posted request; drop any other."""
        number = int(reply.get("id", 0))
        if number == 0 and self._posted:
            number = min(self._posted)  # a message too malformed to have a number
        posted = self._posted.pop(number, None)
        if posted is None:
            return
        self.round_trip_s = time.monotonic() - posted[0]
        self.received_any = True
        text, data = str(reply["text"]), dict(reply["data"])
        if data.get("hello"):
            self._unknown = True
            text = _NEW_HOST
        self._answers.append(Answer(number, bool(reply["ok"]), text, data=data))

    def _see_refusal(self) -> None:
        reason = self._sockets.refused()
        if reason:
            raise HostGone(f"no link to '{self._sockets.where}': {reason}")

    def _replies(self) -> Iterator[dict[str, Any]]:
        while (frame := self._frame()) is not None:
            reply = json.loads(frame)
            self.see(float(reply.get("at_s", math.nan)))
            yield reply

    def _frame(self) -> bytes | None:
        with self._sending:
            if self._closed:
                return None
            stops = self._sockets.stops
            if stops is not None and (frame := stops.reply()) is not None:
                return frame
            try:
                return self._sockets.requests.recv(zmq.NOBLOCK)
            except zmq.Again:
                return None


def _is_stop(message: dict[str, Any]) -> bool:
    return bool(message["type"] == "request" and message["request"].get("kind") == "stop")
