"""The rig host's end of the link, made for the inside of the cycle.

It never blocks, starts no thread of Python's and raises nothing for whatever a client sends.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import zmq

from hil.core import ROW, Marker, Request, Stop
from hil.link.client_registry import ClientRegistry
from hil.link.errors import LinkError
from hil.link.keys import ServerKeys
from hil.link.messages import (
    ENVELOPE,
    EVENT,
    HEAD,
    KIND,
    MOST_BYTES,
    MOST_BYTES_WATCHER,
    ROWS,
    SCHEMA_VERSION,
    AcquireControl,
    Beat,
    Disconnect,
    Hello,
    Publish,
    Release,
    RequestMessage,
    explain,
    id_of,
    to_json,
)
from hil.link.serving import ServerSockets

__all__ = ["Incoming", "LinkError", "LinkServer"]

BLOCK_S = 0.02  # of samples in one message
KEPT_S = 120.0  # of messages kept for a client that does not take them
AT_ONCE = 6  # messages answered in one call of poll
OLDEST_S = 1.0  # a request that lay longer than this is not obeyed
ADMISSION_S = 0.005  # between looks at who wants in over the network
_POLLIN = int(zmq.POLLIN)


@dataclass(slots=True)
class Incoming:
    """A request for the cycle, to be answered with ``LinkServer.reply``."""

    client: bytes
    name: str
    request: Request
    id: int = field(default=0)


class LinkServer:
    """Publishes rows and events, takes requests, knows who holds control.

    Args:
        directory: made with mode 0700, or refused if others may enter it.
        description: what a client is told at hello, plain JSON values.
        control_heartbeat_s: silence after which the holder of control is late.
        tcp: also serve on ``HOST:PORT`` (requests) and the next port (samples).
        keys: needed for ``tcp``; there is no network link in the clear.
        rows_per_block: rows in one message; None for 20 ms of them.

    Attributes:
        holder: name of the client that holds control, or None.
        tcp: the address served, with the real ports if 0 was asked for; or None.

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
    ) -> None:
        self.directory = Path(directory)
        rate_hz = float(description.get("rate_hz", 1000.0))
        rows = max(1, round(rate_hz * BLOCK_S)) if rows_per_block is None else rows_per_block
        self.holder: str | None = None
        self._holder_id = b""
        self._heard_s = 0.0
        self._control_heartbeat_s = control_heartbeat_s
        self._clients = ClientRegistry()
        self._time_s = 0.0  # of the last row
        self._row_size = ROW.size
        self._block = bytearray(HEAD + rows * ROW.size)
        instance = os.urandom(HEAD - KIND)
        self._block[:HEAD] = ROWS + instance
        self._event_head = EVENT + instance
        self._view = memoryview(self._block)
        self._at = HEAD
        self._full = len(self._block)
        self._next_admission_s = 0.0
        kept = max(1000, round(KEPT_S * (rate_hz / rows + 100)))
        self._sockets = ServerSockets(self.directory, kept, tcp, keys)
        self._requests = self._sockets.requests
        self._samples = self._sockets.samples
        self._admission = self._sockets.admission
        self.tcp = self._sockets.tcp
        self.description = dict(description)  # may be changed: the next client is told so
        self._hello = {
            "schema_version": SCHEMA_VERSION,
            "control_heartbeat_s": control_heartbeat_s,
            "samples_port": self._sockets.samples_port,
            "description": self.description,
        }

    # ------------------------------------------------------------------ every cycle

    def silent_s(self, name: str) -> float | None:
        """Seconds since a client of this name was last heard; None if none said hello."""
        return self._clients.silent_s(name, time.monotonic())

    def publish_row(self, row: tuple[float, ...]) -> None:
        """Add one row (see ``hil.core.samples.COLUMNS``); leaves with the block it fills."""
        at = self._at
        ROW.pack_into(self._block, at, *row)
        self._at = at = at + self._row_size
        if at == self._full:
            self.flush()

    def flush(self) -> None:
        """Send the rows that wait for their block to fill."""
        if self._at > HEAD:
            self._time_s = ROW.unpack_from(self._block, self._at - self._row_size)[0]
            self._samples.send(self._view[: self._at], zmq.NOBLOCK)
            self._at = HEAD

    def publish_event(self, event: Mapping[str, Any]) -> None:
        """Send an event, a mapping with ``kind``; rows before it leave first."""
        if event.get("kind") != "heartbeat":
            self.flush()
        self._samples.send(self._event_head + to_json(dict(event)), zmq.NOBLOCK)

    def poll(self, now_s: float) -> list[Incoming]:
        """Requests that the cycle must decide on, stops first; the rest is answered here.

        Args:
            now_s: ``time.monotonic()``.
        """
        if self._admission is not None and now_s >= self._next_admission_s:
            self._next_admission_s = now_s + ADMISSION_S
            self._admission.poll()
        taken: list[Incoming] = []
        requests = self._requests
        for _ in range(AT_ONCE):
            if not int(requests.getsockopt(zmq.EVENTS)) & _POLLIN:
                break
            incoming = self._receive()
            if incoming is None:
                continue
            if isinstance(incoming.request, Stop):
                taken.insert(0, incoming)
            else:
                taken.append(incoming)
        return taken

    def reply(
        self, incoming: Incoming, accepted: bool, text: str, data: Mapping[str, Any] | None = None
    ) -> None:
        """Publish the client what became of its request; nothing happens if it is gone."""
        self._answer(incoming.client, incoming.id, accepted, text, data)

    def holder_late(self, now_s: float) -> bool:
        """Whether somebody holds control and has been silent for too long."""
        return self.holder is not None and now_s - self._heard_s > self._control_heartbeat_s

    def drop_holder(self) -> None:
        """AcquireControl control away from whoever holds it."""
        if self.holder is not None:
            self._set_holder(b"", None)

    def close(self) -> None:
        """Let what was sent leave (half a second at most) and free the directory."""
        self._sockets.close()

    # ------------------------------------------------------------------ messages

    def _receive(self) -> Incoming | None:
        """AcquireControl one message; answer it here, or return what the cycle must decide on."""
        try:
            client = self._requests.recv(zmq.NOBLOCK)
            frame = self._requests.recv(zmq.NOBLOCK, copy=False)
            last, extra = frame, False
            while last.more:
                last = self._requests.recv(zmq.NOBLOCK, copy=False)
                extra = True
        except zmq.Again:
            return None
        now_s = time.monotonic()  # anew: this process may have been held up since the last
        holds = client == self._holder_id
        size = len(frame.buffer)
        most = MOST_BYTES if holds else MOST_BYTES_WATCHER
        if extra or size > most:
            what = (
                "a message is one frame"
                if extra
                else f"message of {size} bytes; {'' if holds else 'without control '}"
                f"it may have {most}"
            )
            self._answer(client, 0, False, what)
            return None
        text = frame.bytes
        try:
            said = ENVELOPE.validate_json(text)
        except ValueError as error:
            self._answer(client, id_of(text), False, explain(error))
            return None
        if type(said) is Beat:
            if holds:
                self._hear(said.sent_s, now_s)
            self._clients.heard(client, now_s)
            return None
        return self._decide(client, said, now_s)

    def _decide(
        self,
        client: bytes,
        said: Hello | AcquireControl | Release | RequestMessage | Publish | Disconnect | Beat,
        now_s: float,
    ) -> Incoming | None:
        if isinstance(said, Hello):
            self._greet(client, said, now_s)
            return None
        name = self._clients.heard(client, now_s)
        if isinstance(said, RequestMessage) and isinstance(said.request, Stop):
            return Incoming(client, name or "a client without a name", said.request, said.id)
        if name is None:
            self._answer(client, said.id, False, "say hello first", {"hello": True})
            return None
        holds = client == self._holder_id
        if isinstance(said, RequestMessage):
            if isinstance(said.request, Marker):
                return Incoming(client, name, said.request, said.id)
            if not holds:
                self._answer(client, said.id, False, f"you do not hold control; {self._who()}")
                return None
            self._hear(said.sent_s, now_s)
            if said.sent_s is not None and now_s - said.sent_s > OLDEST_S:
                self._answer(
                    client,
                    said.id,
                    False,
                    f"the request lay for {now_s - said.sent_s:.1f} s and was not obeyed; "
                    "ask again if it still holds",
                )
                return None
            return Incoming(client, name, said.request, said.id)
        if isinstance(said, AcquireControl):
            self._give_control(client, name, said, now_s)
        elif isinstance(said, Release):
            if holds:
                self._set_holder(b"", None)
            self._answer(client, said.id, True, "control is free" if holds else "you held none")
        elif isinstance(said, Publish):
            self._pass_on(name, said)
            self._answer(client, said.id, True, "told")
        elif isinstance(said, Disconnect):
            if holds:
                self._set_holder(b"", None)
            self._clients.forget(client)
            self._answer(client, said.id, True, "bye")
        return None

    def _greet(self, client: bytes, said: Hello, now_s: float) -> None:
        if said.schema_version != SCHEMA_VERSION:
            self._answer(
                client,
                said.id,
                False,
                f"rig host and client are of different versions (link schema_version {SCHEMA_VERSION} and "
                f"{said.schema_version}); install the same one",
            )
            return
        name = self._clients.greet(client, said.name, now_s, keep=self._holder_id)
        self._answer(
            client,
            said.id,
            True,
            "hello",
            {**self._hello, "name": name, "client": client.hex(), "holder": self.holder},
        )

    def _give_control(self, client: bytes, name: str, said: AcquireControl, now_s: float) -> None:
        if said.sent_s is not None and now_s - said.sent_s > OLDEST_S:
            self._answer(client, said.id, False, "the request lay too long; ask again")
        elif self.holder is not None and client != self._holder_id:
            self._answer(
                client,
                said.id,
                False,
                f"control is held by '{self.holder}'; it must be released there first",
                {"holder": self.holder},
            )
        else:
            self._heard_s = now_s
            if client != self._holder_id:
                self._set_holder(client, name)
            self._answer(client, said.id, True, "you hold control", {"holder": name})

    def _who(self) -> str:
        return f"'{self.holder}' does" if self.holder else "take it first"

    def _hear(self, sent_s: float | None, now_s: float) -> None:
        # What waited here while this process slept is no proof that its sender lives.
        heard_s = now_s if sent_s is None else min(sent_s, now_s)
        if heard_s > self._heard_s:
            self._heard_s = heard_s

    def _set_holder(self, client: bytes, name: str | None) -> None:
        self.holder = name
        self._holder_id = client
        self._publish_own({"kind": "control", "holder": name, "client": client.hex()})

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
        answer = to_json({"id": id, "ok": ok, "text": text, "data": dict(data or {})})
        # A client that is gone or does not take its answers goes without.
        with contextlib.suppress(zmq.ZMQError):
            self._requests.send_multipart((client, answer), zmq.NOBLOCK)
