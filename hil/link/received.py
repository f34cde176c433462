"""A client's end of the stream: blocks and events from the socket, in order."""

from __future__ import annotations

import json
import math
import threading
import time
from collections import deque
from collections.abc import Callable

import numpy as np
import zmq

from hil.core import COLUMNS
from hil.link.connection import BUFFERED, Sockets
from hil.link.errors import LinkError
from hil.link.gaps import GapCounter
from hil.link.items import Block, Event
from hil.link.messages import EVENT, HEAD, KIND, ROWS, STAMP
from hil.link.request_client import RequestClient

SLICE_S = 0.02  # of waiting for samples
_CYCLE = next(i for i, column in enumerate(COLUMNS) if column.name == "cycle")


class Received:
    """Blocks and events received from a rig host and not yet taken. For any thread.

    Args:
        sockets: sockets of the client.
        requests: notified of each stamp.
        held_by: called with the client in control whenever reported, with None when another rig
            host sends.

    Attributes:
        received_s: time of the latest message from the rig host, monotonic clock; 0 for none.
        judged_delay_s: judged delay of the holder of control, as last reported by the rig host; NaN
            before.
        gaps: samples that never arrived.
        closed: nothing more is received.
    """

    def __init__(
        self, sockets: Sockets, requests: RequestClient, held_by: Callable[[object], None]
    ) -> None:
        self.received_s = 0.0
        self.judged_delay_s = math.nan
        self.gaps = GapCounter()
        self.closed = False
        self._sockets = sockets
        self._requests = requests
        self._held_by = held_by
        self._host = b""
        self._pending: deque[Block | Event] = deque()
        self._most_pending = math.inf if sockets.unlimited else BUFFERED
        self._receiving = threading.Lock()

    @property
    def busy(self) -> bool:
        """True if some thread waits or receives."""
        return self._receiving.locked()

    def wait(self, seconds: float) -> None:
        """Wait until something arrives, or the time is up.

        Raises:
            LinkError: the connection is closed.
        """
        if self.closed:
            raise LinkError("the connection is closed; connect again")
        # In slices: the thread that keeps control takes its stamps from the same socket.
        end = time.monotonic() + seconds
        while not self._pending and (left := end - time.monotonic()) > 0:
            with self._receiving:
                if self.closed or self._sockets.samples.poll(round(1000 * min(left, SLICE_S))):
                    return

    def drain(self) -> None:
        """Receive everything that has arrived; never waits."""
        with self._receiving:
            while not self.closed:
                try:
                    frame = self._sockets.samples.recv(zmq.NOBLOCK)
                except zmq.Again:
                    return
                self._receive(frame)

    def take(self) -> list[Block | Event]:
        """Return everything received since the last call."""
        with self._receiving:
            items = list(self._pending)
            self._pending.clear()
        return items

    def forget_oldest(self) -> None:
        """Drop items beyond the limit of those not taken, and count them as lost."""
        with self._receiving:
            while len(self._pending) > self._most_pending:
                item = self._pending.popleft()
                if isinstance(item, Block):
                    self.gaps.lost += len(item.rows)

    def close(self) -> None:
        """Close the client's sockets, once no thread receives."""
        with self._receiving:
            self._requests.close()
            self._pending.clear()

    def _receive(self, frame: bytes) -> None:
        self.received_s = time.monotonic()
        self._requests.received_any = True
        head, host = frame[:KIND], frame[KIND : 2 * KIND]
        (stamp_s,) = STAMP.unpack_from(frame, 2 * KIND)
        self._requests.see(stamp_s, anew=host != self._host)
        if host != self._host:
            self._host = host
            self.gaps.restart()
            self._held_by(None)
        if head == ROWS:
            rows = np.frombuffer(frame, "<f8", offset=HEAD).reshape(-1, len(COLUMNS))
            self.gaps.take(rows[:, _CYCLE])
            self._pending.append(Block(rows, host))
        elif head == EVENT:
            event = Event(json.loads(memoryview(frame)[HEAD:].tobytes()))
            if event.kind == "control":
                self._held_by(event.get("client"))
            elif event.kind == "heartbeat":
                self.judged_delay_s = 1e-3 * float(event.get("holder_delay_ms") or math.nan)
            self._pending.append(event)
