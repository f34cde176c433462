"""A server in this process, and a bare socket for any bytes that a test sends."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import zmq

from hil.core.samples import ROW
from hil.link.budgets import Budgets
from hil.link.directory import REQUESTS, SAMPLES, endpoint
from hil.link.messages import HEAD, SCHEMA_VERSION
from hil.link.server import Incoming, LinkServer

PATIENCE_S = 10.0
DATED = ("acquire_control", "request", "heartbeat")
DESCRIPTION: dict[str, Any] = {"rate_hz": 1000.0, "profile": {"name": "made up"}}


class Bare:
    """A server and a socket that sends any bytes."""

    def __init__(self, directory: Path) -> None:
        # Tests make more mistakes than a client is permitted.
        budgets = Budgets(wrong_per_s=1e6, wrong_at_once=1e6)
        self.server = LinkServer(directory, DESCRIPTION, 0.15, budgets=budgets)
        self.context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self.socket = self.open()

    def open(self) -> zmq.Socket[bytes]:
        socket = self.context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.connect(endpoint(self.server.directory, REQUESTS))
        return socket

    def subscribe(self) -> zmq.Socket[bytes]:
        socket = self.context.socket(zmq.SUB)
        socket.setsockopt(zmq.RCVHWM, 0)
        socket.subscribe(b"")
        socket.connect(endpoint(self.server.directory, SAMPLES))
        while not socket.poll(10):
            assert list(self.server.poll(time.monotonic())) == []
            self.server.publish_event({"kind": "heartbeat"})
        while socket.poll(20):
            socket.recv()
        return socket

    def send(self, message: object, socket: zmq.Socket[bytes] | None = None) -> None:
        """Send a message; date it now if its type needs a date and it has none."""
        if isinstance(message, dict) and message.get("type") in DATED:
            message = {"sent_s": time.monotonic(), **message}
        data = message if isinstance(message, bytes) else json.dumps(message).encode()
        (socket or self.socket).send(data)

    def answer(self, socket: zmq.Socket[bytes] | None = None) -> tuple[dict[str, Any], list[Any]]:
        """Return the next answer, and the requests that the cycle received meanwhile."""
        socket = socket or self.socket
        given: list[Incoming] = []
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for incoming in self.server.poll(time.monotonic()):
                self.server.reply(incoming, True, "done")
                given.append(incoming)
            if socket.poll(1):
                return json.loads(socket.recv()), given
        raise AssertionError("no answer")

    def ask(self, message: object, socket: zmq.Socket[bytes] | None = None) -> dict[str, Any]:
        self.send(message, socket)
        return self.answer(socket)[0]

    def drain(self, subscriber: zmq.Socket[bytes], most: int) -> int:
        """Return the number of rows that arrive, at most as many as expected."""
        rows = 0
        deadline = time.monotonic() + PATIENCE_S
        while rows < most and time.monotonic() < deadline:
            assert list(self.server.poll(time.monotonic())) == []
            while subscriber.poll(0):
                rows += (len(subscriber.recv()) - HEAD) // ROW.size
        return rows

    def settle(self) -> list[Incoming]:
        """Wait until everything sent so far is received; return the requests that the cycle received."""
        given: list[Incoming] = []
        quiet = 0
        while quiet < 20:
            taken = list(self.server.poll(time.monotonic()))
            given += taken
            quiet = 0 if taken else quiet + 1
            time.sleep(0.001)
        return given

    def close(self) -> None:
        self.context.destroy(linger=0)
        self.server.close()


def hello(name: str = "bare") -> dict[str, Any]:
    return {"type": "hello", "id": 1, "name": name, "schema_version": SCHEMA_VERSION}


def take_control(bare: Bare) -> None:
    assert bare.ask(hello())["ok"]
    assert bare.ask({"type": "acquire_control", "id": 2})["ok"]
