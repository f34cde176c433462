"""The rig host's end of the link: a client that sends too much is cut off and blocks no other client."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest
import zmq

from hil.core.requests import Stop
from hil.link.budgets import Budgets
from hil.link.directory import REQUESTS, endpoint
from hil.link.server import Incoming, LinkServer
from tests.hil.link.bare_server import DESCRIPTION, Bare, hello, take_control

pytestmark = pytest.mark.real_time


def test_an_enormous_message_costs_its_sender_the_link_and_nobody_else(bare: Bare) -> None:
    other = bare.open()
    assert bare.ask(hello("other"), other)["ok"]
    bare.send(b" " * 20_000_000)
    bare.settle()
    assert bare.ask({"type": "acquire_control", "id": 3}, other)["ok"]


def test_a_message_of_many_frames_ends_its_connection_and_keeps_no_stop_out(bare: Bare) -> None:
    other = bare.open()
    assert bare.ask(hello("other"), other)["ok"]
    assert bare.ask(hello())["ok"]
    bare.socket.send_multipart([b""] * 200_000)
    bare.send({"type": "request", "id": 8, "request": {"kind": "stop"}}, other)
    time.sleep(0.05)
    given: list[Incoming] = []
    turns = 0
    while not given:
        turns += 1
        given += bare.server.poll(time.monotonic())
    assert turns < 20 and isinstance(given[0].request, Stop)
    assert bare.settle() == []
    assert len(bare.server._sources[0].port.peers) == 1  # type: ignore[attr-defined]
    # Its socket reconnects by itself as an unknown client, which may still stop the rig.
    bare.send({"type": "request", "id": 8, "request": {"kind": "stop"}})
    while bare.answer()[0]["text"] != "done":
        pass


def test_a_flood_of_stops_keeps_nobody_from_being_heard(bare: Bare) -> None:
    other = bare.open()
    assert bare.ask(hello("other"), other)["ok"]
    stop = {"type": "request", "id": 0, "request": {"kind": "stop"}}
    for _ in range(100):
        bare.send(stop)
    bare.send({"type": "release_control", "id": 3}, other)
    time.sleep(0.05)
    for _ in range(5):
        for _ in range(10):
            bare.send(stop)
        assert list(bare.server.poll(time.monotonic()))  # each turn handles at least one
    assert bare.answer(other)[0]["text"] == "you did not hold it"


def test_mistakes_are_answered_until_there_are_too_many(directory: Path) -> None:
    server = LinkServer(directory, DESCRIPTION, 0.15, budgets=Budgets(0.0, 5.0))
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        socket = context.socket(zmq.DEALER)
        socket.connect(endpoint(directory, REQUESTS))
        texts = []
        for _ in range(9):
            socket.send(b"{}")
            quiet = 0
            while quiet < 20:
                assert list(server.poll(time.monotonic())) == []
                quiet = 0 if socket.poll(1) else quiet + 1
                while socket.poll(0):
                    texts.append(json.loads(socket.recv())["text"])
        assert ["cut off" in text for text in texts] == [False] * 5 + [True]
    finally:
        context.destroy(linger=0)
        server.close()


def test_the_holder_is_never_forgotten_among_many(bare: Bare) -> None:
    take_control(bare)
    crowd = bare.open()
    for i in range(300):
        bare.ask(hello(f"crowd {i}"), crowd)
    for _ in range(300):
        with bare.context.socket(zmq.DEALER) as one:
            one.connect(endpoint(bare.server.directory, REQUESTS))
            bare.ask(hello("crowd"), one)
    assert bare.ask({"type": "request", "id": 4, "request": {"kind": "tare"}})["ok"]
