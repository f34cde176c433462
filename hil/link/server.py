"""The rig host's end of the link, called from within the cycle.

It never blocks, starts no Python thread and raises nothing, whatever a client sends.
"""

from __future__ import annotations

import datetime
import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from hil.core import INDEX, ROW, Cause, Request, Sample, Stop
from hil.link.budgets import Budgets
from hil.link.client_registry import ClientRegistry
from hil.link.errors import LinkError
from hil.link.keys import ServerKeys
from hil.link.messages import (
    EVENT,
    HEAD,
    KIND,
    ROWS,
    SCHEMA_VERSION,
    STAMP,
    Beat,
    Envelope,
    Hello,
    Publish,
    RequestMessage,
    to_json,
)
from hil.link.receiver import Received, Receiver
from hil.link.request_gate import Act, Asked, RequestGate
from hil.link.serving import ServerSockets

__all__ = ["Incoming", "LinkError", "LinkServer"]

BLOCK_S: Final = 0.02  # of samples in one message
KEPT_S: Final = 120.0  # of messages kept for a client that does not read them
# For receiving in one call of poll, however much waits: less than a tenth of the period. One more
# message may be begun.
RECEIVE_S: Final = 60e-6
RECEIVE_SHARE: Final = 0.06
LOOKED_S: Final = 0.002  # for which ``poll`` relies on the look of ``poll_stop``
MOST_AT_ONCE: Final = 6  # messages that are answered in one call of poll
AHEAD_S: Final = 0.001  # a date further ahead of the host's clock is ignored
_STAMP_AT: Final = 2 * KIND
_TIME: Final = INDEX["time_s"]


@dataclass(slots=True)
class Incoming:
    """A request for the cycle, to be answered with ``LinkServer.reply``.

    Attributes:
        cause: cause of a stop that the link itself requests; it needs no answer.
    """

    client: bytes
    name: str
    request: Request
    id: int = field(default=0)
    cause: Cause | None = None
    asked: Asked | None = None


def _no_power() -> bool:
    return False


class LinkServer:
    """Server of the link: publishes rows and events, receives requests, grants control.

    Args:
        directory: created with mode 0700, or refused if other users may enter it.
        description: sent to a client at hello, plain JSON values.
        control_heartbeat_s: silence after which the holder of control is late.
        tcp: also serve on ``HOST:PORT`` (requests) and the next port (samples).
        keys: needed for ``tcp``; a network link is always encrypted.
        rows_per_block: rows in one message; None for 20 ms of them.
        budgets: budgets of messages and mistakes; None for the usual ones.

    Attributes:
        gate: judges which client may request what, and when.
        receive_s: time for receiving in one call of ``poll``, in s.
        tcp: the address served, with the real ports if 0 was given; or None.

    Raises:
        LinkError: the directory is not private or in use, or an address cannot be bound.
    """

    def __init__(
        self,
        directory: Path | str,
        description: Mapping[str, Any],
        control_heartbeat_s: float,
        tcp: str | None = None,
        keys: ServerKeys | None = None,
        rows_per_block: int | None = None,
        budgets: Budgets | None = None,
    ) -> None:
        self.directory = Path(directory)
        rate_hz = float(description.get("rate_hz", 1000.0))
        rows = max(1, round(rate_hz * BLOCK_S)) if rows_per_block is None else rows_per_block
        self.receive_s = min(RECEIVE_S, RECEIVE_SHARE / rate_hz)
        self.gate = RequestGate(control_heartbeat_s)
        self._clients = ClientRegistry()
        self._looked_s = -math.inf  # last look of ``poll_stop`` that ``poll`` has not used
        self._time_s = 0.0  # of the last row
        self._row_size = ROW.size
        self._block = bytearray(HEAD + rows * ROW.size)
        instance = os.urandom(KIND)
        self._block[:_STAMP_AT] = ROWS + instance
        self._event_head = EVENT + instance
        self._view = memoryview(self._block)
        self._at = HEAD
        self._full = len(self._block)
        kept = max(1000, round(KEPT_S * (rate_hz / rows + 100)))
        self._sockets = ServerSockets(self.directory, kept, tcp, keys)
        self._samples = self._sockets.samples
        self._sources = self._sockets.sources
        self._receiver = Receiver(self._sources, budgets or Budgets())
        self.tcp = self._sockets.tcp
        self.description = dict(description)  # may be changed: sent to the next client
        self._hello = {
            "schema_version": SCHEMA_VERSION,
            "control_heartbeat_s": control_heartbeat_s,
            "samples_port": self._sockets.samples_port,
            "description": self.description,
        }

    # ------------------------------------------------------------------ every cycle

    def silent_s(self, name: str) -> float | None:
        """Return the time since a client of this name last sent anything, in s; None if unknown."""
        return self._clients.silent_s(name, time.monotonic())

    def publish_row(self, row: Sample) -> None:
        """Add one row; sent once its block is full."""
        at = self._at
        ROW.pack_into(self._block, at, *row)
        self._at = at = at + self._row_size
        if at == self._full:
            self.flush()

    def flush(self) -> None:
        """Send the rows of an incomplete block."""
        if self._at > HEAD:
            self._time_s = ROW.unpack_from(self._block, self._at - self._row_size)[_TIME]
            STAMP.pack_into(self._block, _STAMP_AT, time.monotonic())
            self._sockets.publish(bytes(self._view[: self._at]))
            self._at = HEAD

    def publish_event(self, event: Mapping[str, Any]) -> None:
        """Send an event, a mapping with ``kind``; earlier rows are sent first."""
        if event.get("kind") != "heartbeat":
            self.flush()
        stamp = STAMP.pack(time.monotonic())
        self._sockets.publish(self._event_head + stamp + to_json(dict(event)))

    def poll(self, now_s: float, powered: Callable[[], bool] = _no_power) -> Iterable[Incoming]:
        """Return the requests that the cycle must run, in order; the rest is answered here.

        Run each before taking the next: each is judged when its turn comes. See
        :mod:`hil.link.request_gate`.

        Args:
            now_s: ``time.monotonic()``.
            powered: returns whether the power stage is on or coming on now.
        """
        self._samples.turn(now_s)
        if self.tcp is not None:
            self._sockets.admit(now_s)
        if 0.0 <= now_s - self._looked_s < LOOKED_S:
            # What has come since waits: the next ``poll_stop`` is before the next command. After a
            # pause it is looked for: heartbeats that have come are heard before silence is judged.
            self._looked_s = -math.inf
            some = self._receiver.pending
        else:
            some = self._receiver.waiting(now_s, self.gate.holder_id)
        return self._received(powered) if some else ()

    def _received(self, powered: Callable[[], bool]) -> Iterator[Incoming]:
        for asked in self.gate.order(self._batch(time.monotonic() + self.receive_s)):
            yield from self._take(asked, powered)

    def poll_stop(self, now_s: float) -> Iterable[Incoming]:
        """Return a received stop, if there is one; everything else waits for ``poll``.

        Call it right before a cycle's command is computed, so that this command obeys the stop.
        With ``poll`` alone, called after the command, a stop takes effect one period later.
        """
        self._looked_s = now_s
        if not self._receiver.waiting(now_s, self.gate.holder_id):
            return ()
        received = self._receiver.stop(self.gate.holder_id, time.monotonic() + self.receive_s)
        asked = (
            self._received_request(received, received.said) if received and received.said else None
        )
        return self._take(asked, _no_power) if asked is not None else ()

    def reply(
        self, incoming: Incoming, accepted: bool, text: str, data: Mapping[str, Any] | None = None
    ) -> None:
        """Answer a client's request; does nothing if the client has disconnected."""
        if incoming.asked is not None:
            self.gate.ran(incoming.asked, accepted)
        self._answer(incoming.client, incoming.id, accepted, text, data)

    @property
    def holder(self) -> str | None:
        """Name of the client that holds control, or None."""
        return self.gate.holder

    def holder_late(self, now_s: float) -> bool:
        """Return whether the holder of control, if any, has been silent for too long."""
        return self.gate.late(now_s)

    def deaf_s(self, now_s: float) -> float:
        """Return how long one endless message has blocked all others of the network, in s."""
        return self._sockets.deaf_s(now_s) if self.tcp is not None else 0.0

    def drop_holder(self, powered: bool = False) -> None:
        """Take control away from its holder; with power on, the caller stops the bench."""
        if self.gate.holder is not None:
            self.gate.end_control(powered, time.monotonic())
            self._publish_control()

    def close(self) -> None:
        """Send what is queued (half a second at most) and free the directory."""
        self._sockets.close()

    # ------------------------------------------------------------------ messages

    def _batch(self, end_s: float) -> Iterator[Asked]:
        for received in self._receiver.batch(self.gate.holder_id, end_s, MOST_AT_ONCE):
            if received.said is not None:
                asked = self._received_request(received, received.said)
                if asked is not None:
                    yield asked
            elif received.text:
                self._answer(received.client, received.id, False, received.text)
                if received.ended:
                    for source in self._sources:
                        source.end(received.client)
                if received.cut_off and received.client == self.gate.holder_id:
                    # It cannot send heartbeats any more, so its control ends.
                    yield Asked(received.client, self.gate.holder, Act.DISCONNECT)

    def _received_request(self, received: Received, said: Envelope) -> Asked | None:
        """Answer messages that do not concern the bench; return the others, dated."""
        client, now_s = received.client, received.received_s
        if isinstance(said, Hello):
            self._greet(client, said, now_s, received.local)
            return None
        name = self._clients.received(client, now_s)
        if isinstance(said, Beat):
            self.gate.hear(client, _date(received.local, said, now_s), now_s)
            return None
        if isinstance(said, Publish):
            if name is None:
                self._answer(client, said.id, False, "say hello first", {"hello": True})
            elif said.kind != "notice" and not received.local:
                text = "only a recorder on the rig host's own computer may report runs"
                self._answer(client, said.id, False, text)
            else:
                self._pass_on(name, said)
                self._answer(client, said.id, True, "published")
            return None
        asked = Asked(client, name, Act(said.type), id=said.id, local=received.local)
        if isinstance(said, RequestMessage):
            asked.request = said.request
        asked.date_s = _date(received.local, said, now_s)
        return asked

    def _take(self, asked: Asked, powered: Callable[[], bool]) -> Iterator[Incoming]:
        gate = self.gate
        holder = gate.holder_id
        name = asked.name or "a client without a name"
        verdict = gate.take(asked, powered(), time.monotonic())
        if verdict.stop:
            stop = Stop(cause=verdict.stop[:200])
            yield Incoming(asked.client, name, stop, cause=Cause.CONTROL_RELEASED)
        if gate.holder_id != holder:
            self._publish_control()
        if verdict.run:
            assert asked.request is not None
            yield Incoming(asked.client, name, asked.request, asked.id, asked=asked)
            return
        if asked.act is Act.DISCONNECT:
            self._clients.forget(asked.client)
        data: dict[str, Any] = {"hello": True} if verdict.greet else {}
        if asked.act is Act.ACQUIRE:
            data |= {"holder": gate.holder, "reset_needed": gate.reset_needed}
        self._answer(asked.client, asked.id, verdict.accepted, verdict.text, data)

    def _greet(self, client: bytes, said: Hello, now_s: float, local: bool) -> None:
        if said.schema_version != SCHEMA_VERSION:
            self._answer(
                client,
                said.id,
                False,
                f"rig host and client are of different versions (link schema_version {SCHEMA_VERSION} and "
                f"{said.schema_version}); install the same one",
            )
            return
        # The link directory is private to this user: a client through it may be the recorder.
        posing = not local and said.name.startswith("recorder")
        wished = f"remote {said.name}" if posing else said.name
        name = self._clients.greet(client, wished, now_s, keep=self.gate.holder_id)
        self._answer(
            client,
            said.id,
            True,
            "hello",
            {**self._hello, "name": name, "client": client.hex(), "holder": self.holder},
        )

    def _publish_control(self) -> None:
        gate = self.gate
        self._publish_own(
            {"kind": "control", "holder": gate.holder, "client": gate.holder_id.hex()}
        )

    def _pass_on(self, name: str, said: Publish) -> None:
        event: dict[str, Any] = {"kind": said.kind, "text": said.text, "from": name}
        if said.run:
            event["run"] = said.run
        if said.values:
            event["values"] = said.values
        self._publish_own(event)

    def _publish_own(self, event: dict[str, Any]) -> None:
        self.flush()
        now = datetime.datetime.now().astimezone()
        event["time_s"] = self._time_s
        event["wall"] = now.isoformat(timespec="milliseconds")
        self.publish_event(event)

    def _answer(
        self, client: bytes, id: int, ok: bool, text: str, data: Mapping[str, Any] | None = None
    ) -> None:
        if id == 0 and ok:
            return
        answer = to_json(
            {"id": id, "ok": ok, "text": text, "data": dict(data or {}), "at_s": time.monotonic()}
        )
        for source in self._sources:
            if source.answer(client, answer):
                return


def _date(local: bool, said: Envelope, now_s: float) -> float:
    """Return the earliest time at which a message was sent; NaN if unknown."""
    date_s: float | None = getattr(said, "sent_s" if local else "seen_s", None)
    return date_s if date_s is not None and date_s <= now_s + AHEAD_S else math.nan
