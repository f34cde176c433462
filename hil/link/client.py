"""The client's end of the link: for the dashboard, the recorder, scripts and notebooks.

::

    from hil.link.client import Client
    from hil.core.requests import Apply, PowerOn, Float, PowerOff

    with Client.connect(directory, name="notebook") as bench:
        bench.take_control()
        with bench.keep_control():
            bench.request(PowerOn(load_supported=True))
            bench.request(Apply(behaviour=Float()))
            for item in bench.watch(2.0):
                if isinstance(item, Block):
                    force_N = item.rows[:, INDEX["spring_force_N"]]

A main loop that may not wait posts its requests and collects the answers later::

    number = bench.post(Apply(behaviour=Float()))
    ...
    for answer in bench.answers():
        if answer.number == number:
            print(answer.text)
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

from hil.core import COLUMNS, Request, Stop
from hil.link.connection import Sockets, open_sockets
from hil.link.errors import HostGone, LinkError, Refused
from hil.link.favoured import favoured
from hil.link.items import Answer, Block, Event
from hil.link.keys import ClientKeys
from hil.link.messages import SCHEMA_VERSION
from hil.link.received import Received
from hil.link.request_client import RequestClient

__all__ = ["Answer", "Block", "Client", "Event", "HostGone", "LinkError", "Refused"]

SILENT_S = 1.0  # the rig host heartbeats 25 times a second
ANSWER_S = 2.0
PRESENCE_S = 1.0  # between signs of life of a client without control
BEATS_PER_LIMIT = 5  # of the holder of control


class Client:
    """A connection to a rig host; make it with :meth:`connect`. A context manager.

    One thread polls or watches; ``request``, ``stop`` and ``heartbeat`` may come from any thread.

    Attributes:
        name: name under which the rig host knows this client; made unique there.
        description: description of the bench, as the rig host gave it (profile, columns, rate_hz,
            ...).
        in_control: whether this client holds control, as last reported by the rig host.
        reset_needed: whether the last stop was reset by a holder of control that had left when
            ``take_control`` was answered: power-on is refused until this client resets.
    """

    def __init__(self, sockets: Sockets, name: str) -> None:
        self.name = name
        self.description: dict[str, Any] = {}
        self.in_control = False
        self.reset_needed = False
        self._sockets = sockets
        self._id = ""
        self._limit_s = 0.15
        self._next_heartbeat_s = 0.0
        self._requests = RequestClient(sockets, self._beat_if_in_control)
        self._received = Received(sockets, self._requests, self._held_by)
        self._keeper: threading.Thread | None = None
        self._keeping = threading.Event()
        self._taking = self._greeting = 0  # numbers of what was posted

    @classmethod
    def connect(
        cls,
        where: str | Path,
        name: str = "script",
        keys: ClientKeys | None = None,
        timeout_s: float = 5.0,
        unlimited: bool = False,
    ) -> Client:
        """Connect to a rig host and wait until its samples flow.

        Args:
            where: link directory, or ``tcp://HOST:PORT``.
            name: shown to others, for instance as the holder of control.
            keys: needed for ``tcp://``.
            timeout_s: how long the rig host may take to answer.
            unlimited: keep everything that was not polled yet, however much; else about two
                minutes are kept.

        Raises:
            LinkError: unusable address or directory, or missing keys.
            HostGone: no rig host answers there, or it does not allow this key.
            Refused: the rig host is of another version.
        """
        deadline = time.monotonic() + timeout_s
        client = cls(open_sockets(where, keys, unlimited), name)
        try:
            client._greet(timeout_s)
            while not client._received.received_s:
                if time.monotonic() > deadline:
                    raise HostGone(
                        f"the rig host at '{where}' answers but sends nothing; is it stuck?"
                    )
                client._received.wait(0.05)
                client._received.drain()
        except BaseException:
            client.close()
            raise
        return client

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        control = "in control" if self.in_control else "watching"
        return f"<Client '{self.name}' at '{self._sockets.where}', {control}>"

    # ------------------------------------------------------------------ watching

    def poll(self) -> list[Block | Event]:
        """Return everything received since the last call; never waits.

        Also sends a heartbeat, so the holder of control must call it (or ``heartbeat``) several
        times in each heartbeat limit.
        """
        self._beat_if_due()
        self._received.drain()
        return self._received.take()

    def watch(self, seconds: float) -> Iterator[Block | Event]:
        """Yield the blocks and events of the next ``seconds`` (wall time) as they arrive.

        Raises:
            HostGone: nothing received for a second.
        """
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self._received.wait(min(left, 0.02 if self.in_control else 0.2))
            yield from self.poll()
            if not self.alive:
                raise HostGone(self._requests.silence())

    @property
    def alive(self) -> bool:
        """True if the rig host sent anything within the last second."""
        if time.monotonic() - self._received.received_s <= SILENT_S:
            return True
        self._received.drain()  # it may have been this end that slept
        return time.monotonic() - self._received.received_s <= SILENT_S

    @property
    def round_trip_s(self) -> float:
        """Time from the latest request to its answer, in s; NaN before the first."""
        return self._requests.round_trip_s

    @property
    def link_delay_s(self) -> float:
        """Delay of a link over the network, in s; NaN for a local one, or before it is known.

        In control it is the value by which the rig host judges hold-to-run: the worst recent age of
        this client's heartbeats there. Otherwise it is :attr:`round_trip_s`.
        """
        if self._sockets.local:
            return math.nan
        return self._received.judged_delay_s if self.in_control else self.round_trip_s

    @property
    def lost_samples(self) -> int:
        """Samples published since connecting that never arrived, by their cycle numbers."""
        return self._received.gaps.lost

    # ------------------------------------------------------------------ requests

    def request(self, request: Request, timeout_s: float = ANSWER_S) -> str:
        """Send a request to the bench; returns its answer as text.

        Raises:
            Refused: with the reason.
            HostGone: no answer; the request may or may not have been obeyed.
        """
        message = {"type": "request", "request": request.model_dump(mode="json")}
        return str(self._ask(message, timeout_s)["text"])

    def stop(self, cause: str = "operator", timeout_s: float = ANSWER_S) -> str:
        """Stop the rig; any client may. ``cause`` is shown to the operator.

        Raises:
            HostGone: no answer. If the rig host died, the drive has stopped on its own.
        """
        stop = self._stop(cause)
        if self._requests.busy:
            # Another thread waits for an answer: send the stop now, its answer may come later.
            with contextlib.suppress(HostGone):
                self._requests.send({"type": "request", "request": stop.model_dump(mode="json")})
        return self.request(stop, timeout_s)

    # ------------------------------------------------------------------ requests without waiting

    def post(self, request: Request, timeout_s: float = ANSWER_S) -> int:
        """Send a request at once and return; ``answers`` brings the answer under this number.

        Raises:
            Refused: the message is too long to be sent.
        """
        message = {"type": "request", "request": request.model_dump(mode="json")}
        return self._requests.post(message, timeout_s)

    def post_stop(self, cause: str = "operator", timeout_s: float = ANSWER_S) -> int:
        """Stop the rig without waiting for the answer; else like ``stop`` and ``post``."""
        return self.post(self._stop(cause), timeout_s)

    def post_take(self) -> int:
        """Request control without waiting; ``in_control`` changes when the answer arrives."""
        self._taking = self._requests.post({"type": "acquire_control"}, ANSWER_S)
        return self._taking

    def post_release(self) -> int:
        """Give control up, as ``release_control`` does, without waiting."""
        self.in_control = False
        self._taking = 0  # ignore a late answer to an earlier request
        return self._requests.post({"type": "release_control"}, ANSWER_S)

    def answers(self) -> list[Answer]:
        """Return the answers received to posted requests; never waits.

        Each number is answered once: also if no rig host is connected, or no answer comes in time.

        Raises:
            Refused: another rig host answers here now, and it is of another version.
        """
        answers, unknown = self._requests.answers()
        for answer in answers:
            if answer.number == self._taking and answer.accepted:
                self._now_in_control()
            elif answer.number == self._greeting and answer.accepted:
                self._greeted(answer.data)
        if unknown:
            self.in_control = False
            hello = {"type": "hello", "name": self.name, "schema_version": SCHEMA_VERSION}
            self._greeting = self._requests.post(hello, ANSWER_S)
        return [answer for answer in answers if answer.number != self._greeting]

    def _stop(self, cause: str) -> Stop:
        sent_s = time.monotonic() if self._sockets.local else 0.0
        return Stop(cause=cause[:200], sent_s=sent_s)

    def _now_in_control(self) -> None:
        self.in_control = True
        self._next_heartbeat_s = 0.0

    # ------------------------------------------------------------------ control

    def take_control(self) -> None:
        """Become the one client whose requests move the rig. Keep calling ``heartbeat``.

        Raises:
            Refused: another client holds it; the text names it.
            HostGone: no answer.
        """
        reply = self._ask({"type": "acquire_control"}, ANSWER_S)
        self._now_in_control()
        self.reset_needed = bool(reply["data"].get("reset_needed"))

    def release_control(self) -> None:
        """Give control up. With the power stage on, that stops the rig.

        Raises:
            HostGone: no answer.
        """
        self._stop_keeping()
        self.in_control = False
        self._ask({"type": "release_control"}, ANSWER_S)

    def heartbeat(self) -> None:
        """Send a heartbeat; never waits."""
        now_s = time.monotonic()
        rest_s = self._limit_s / BEATS_PER_LIMIT if self.in_control else PRESENCE_S
        self._next_heartbeat_s = now_s + rest_s
        with contextlib.suppress(HostGone):
            self._requests.send({"type": "heartbeat"})

    @contextlib.contextmanager
    def keep_control(self) -> Iterator[None]:
        """Send heartbeats from a thread, so that a script may sleep or compute meanwhile.

        The rig host then cannot distinguish a script that computes from one that hangs. If people
        rely on it being attended, call ``poll`` or ``heartbeat`` from the main loop.
        """
        self._keeping.clear()
        self._keeper = threading.Thread(target=self._keep, name="keep control", daemon=True)
        self._keeper.start()
        try:
            yield
        finally:
            self._stop_keeping()

    def tell(self, kind: str, text: str = "", run: str = "", **values: float) -> None:
        """Publish a notice, or the folder of a run, to every client; never waits.

        Args:
            kind: ``notice``, ``recording``, ``recorded`` or ``kept``.
            text: text for the operator, at most 500 characters.
            run: folder name.
            values: numbers, such as samples recorded.
        """
        message = {"type": "publish", "kind": kind, "text": text[:500], "run": run[:200]}
        with contextlib.suppress(HostGone):
            self._requests.send({**message, "values": {key: float(values[key]) for key in values}})

    def close(self) -> None:
        """Leave, giving up control. May be called twice; never raises."""
        if self._received.closed:
            return
        self._stop_keeping()
        self._received.closed = True
        self.in_control = False
        with contextlib.suppress(HostGone):
            self._requests.send({"type": "disconnect"})
        self._received.close()

    # ------------------------------------------------------------------ inside

    def _greet(self, timeout_s: float) -> None:
        reply = self._ask(
            {"type": "hello", "name": self.name, "schema_version": SCHEMA_VERSION},
            timeout_s,
            greeting=True,
        )
        self._greeted(reply["data"])

    def _greeted(self, data: dict[str, Any]) -> None:
        description = dict(data["description"])
        names = [column["name"] for column in description.get("columns", [])]
        if names and names != [column.name for column in COLUMNS]:
            raise Refused(
                f"the rig host (version {description.get('version', 'unknown')}) sends other "
                "columns than this client knows; install the same version on both sides"
            )
        self.description = description
        self.name = str(data["name"])
        self.in_control = False
        self._id = str(data["client"])
        self._limit_s = float(data["control_heartbeat_s"])
        self._sockets.subscribe(int(data["samples_port"]))

    def _ask(
        self, message: dict[str, Any], timeout_s: float, greeting: bool = False
    ) -> dict[str, Any]:
        reply = self._requests.ask(message, timeout_s, greeting)
        if reply["data"].get("hello"):
            # Another rig host answers here now; it does not know this client yet.
            self._greet(timeout_s)
            reply = self._requests.ask(message, timeout_s, greeting)
        if not reply["ok"]:
            raise Refused(str(reply["text"]))
        return reply

    def _held_by(self, client: object) -> None:
        self.in_control = client == self._id

    def _beat_if_due(self) -> None:
        if time.monotonic() >= self._next_heartbeat_s:
            self.heartbeat()

    def _beat_if_in_control(self) -> None:
        if self.in_control:
            self._beat_if_due()

    def _keep(self) -> None:
        with favoured():
            while not self._keeping.wait(self._limit_s / BEATS_PER_LIMIT):
                if self.in_control:
                    if not self._sockets.local and not self._received.busy:
                        self._received.drain()  # newest stamp dates a heartbeat
                        self._received.forget_oldest()
                    self.heartbeat()

    def _stop_keeping(self) -> None:
        self._keeping.set()
        keeper, self._keeper = self._keeper, None
        if keeper is not None and keeper is not threading.current_thread():
            keeper.join()
