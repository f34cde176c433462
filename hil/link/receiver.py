"""Receive side of the requests sockets: cheap checks first, within budgets."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

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
from hil.link.sources import Source, Taken

STOP_BYTES: Final = 2048  # of a message from a client that was cut off; it may be a stop
# Messages taken from the sockets and not yet read: a stop among them comes first. Taking one costs
# 4 us, reading one up to 100 us.
MOST_WAITING: Final = 16
_LEAST_TAKEN: Final = 6  # in one turn, however late: a stop may be behind other messages


@dataclass(slots=True)
class Received:
    """One message: understood (``said``), or refused with ``text`` (empty: silently)."""

    client: bytes
    said: Envelope | None
    received_s: float
    local: bool = True
    id: int = 0
    text: str = ""
    cut_off: bool = False  # from this message on
    ended: bool = False  # end the connection once the answer is sent


@dataclass(slots=True)
class _Waiting:
    """A message that is not read yet (``data``), or is (``received``)."""

    taken: Taken
    received_s: float
    maybe_stop: bool = False
    received: Received | None = None

    @property
    def stop(self) -> bool:
        said = self.received.said if self.received is not None else None
        return said is not None and said.type == "request" and said.request.kind == "stop"


class Receiver:
    """Receiver of messages from each source in turn; stops first, then in order.

    Args:
        sources: each polled once per round.
    """

    def __init__(self, sources: Sequence[Source], budgets: Budgets) -> None:
        self._sources = sources
        self._budgets = budgets
        self._waiting: deque[_Waiting] = deque()

    def waiting(self, now_s: float, holder: bytes) -> bool:
        """Return whether there is something to receive; the holder's comes first."""
        some = bool(self._waiting)
        for source in self._sources:
            some |= source.look(now_s, holder)
        return some

    @property
    def pending(self) -> bool:
        """True if something was left at the last look, or found by it."""
        return bool(self._waiting) or any(source.pending for source in self._sources)

    def batch(self, holder: bytes, end_s: float, most: int) -> Iterator[Received]:
        """Yield the messages: stops first, others in order of arrival.

        Args:
            holder: client that may send long messages.
            end_s: deadline; one message is read however late it is.
            most: messages.
        """
        waiting = self._waiting
        stop = self.stop(holder, end_s)
        if stop is not None:
            yield stop
            most -= 1
        while waiting and most > 0:
            one = waiting.popleft()
            yield one.received or self._read(one, holder)
            most -= 1
            if time.monotonic() > end_s:
                return

    def stop(self, holder: bytes, end_s: float) -> Received | None:
        """Return the first stop received; everything else waits for ``batch``.

        One stop is enough to stop the bench, and all others keep their turn: a flood of stops must
        not block the messages of the holder of control.
        """
        waiting = self._waiting
        self._fill(end_s)
        for one in [one for one in waiting if one.maybe_stop and one.received is None]:
            one.received = self._read(one, holder)
            if one.stop:
                waiting.remove(one)
                return one.received
            if time.monotonic() > end_s:
                break
        return None

    def _fill(self, end_s: float) -> None:
        """Take messages from the sources until none is left, or the time is up."""
        some, turns = True, 0
        while some:
            some = False
            for source in self._sources:
                if len(self._waiting) >= MOST_WAITING:
                    return
                if not source.pending:
                    continue
                some = True
                taken = source.take(end_s)
                if taken is not None:
                    self._enter(taken)
                turns += 1
                if turns >= _LEAST_TAKEN and time.monotonic() > end_s:
                    return

    def _enter(self, taken: Taken) -> None:
        now_s = time.monotonic()  # read again: this process may have been delayed since
        one = _Waiting(taken, now_s)
        client, budgets = taken.client, self._budgets
        if taken.endless:
            if not budgets.is_cut(client):
                one.received = self._cut_off(client, taken.wrong, now_s, ended=True)
                self._waiting.append(one)
        elif taken.wrong:
            one.received = self._wrong(taken.wrong, one)
            self._waiting.append(one)
        else:
            data = taken.data
            one.maybe_stop = len(data) <= STOP_BYTES and b'"stop"' in data
            if budgets.is_cut(client):
                if one.maybe_stop:
                    self._waiting.append(one)
            elif budgets.message(client, now_s):
                self._waiting.append(one)
            else:
                one.received = self._cut_off(client, "too many messages", now_s)
                self._waiting.append(one)

    def _read(self, one: _Waiting, holder: bytes) -> Received:
        data, client, now_s = one.taken.data, one.taken.client, one.received_s
        is_cut = self._budgets.is_cut(client)
        if is_cut and not one.maybe_stop:
            return Received(client, None, now_s)
        most = MOST_BYTES if client == holder else MOST_BYTES_WATCHER
        size = len(data)
        if size > most:
            without = "" if client == holder else "without control "
            return self._wrong(f"message of {size} bytes; {without}it may have {most}", one)
        if data.count(b":") > MOST_COLONS:
            return self._wrong(f"message of more than {MOST_COLONS} keys", one)
        try:
            said = ENVELOPE.validate_json(data)
        except ValueError as error:
            return self._wrong(explain(error), one, id_of(data))
        if is_cut and not (said.type == "request" and said.request.kind == "stop"):
            return Received(client, None, now_s)
        return Received(client, said, now_s, one.taken.local)

    def _wrong(self, text: str, one: _Waiting, id: int = 0) -> Received:
        client, now_s = one.taken.client, one.received_s
        if self._budgets.is_cut(client):
            return Received(client, None, now_s)
        if self._budgets.mistake(one.taken.process or client, now_s):
            return Received(client, None, now_s, id=id, text=text)
        return self._cut_off(client, "too many messages not understood", now_s)

    def _cut_off(self, client: bytes, why: str, now_s: float, ended: bool = False) -> Received:
        self._budgets.cut(client, now_s)
        since = "has ended" if ended else "is ignored except for stops"
        text = f"cut off: {why}; this connection {since}. Fix: connect again"
        return Received(client, None, now_s, text=text, cut_off=True, ended=ended)
