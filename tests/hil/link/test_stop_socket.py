"""A stop has its own connection: it waits for no thread and behind no message."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import zmq

from hil.core.requests import Stop
from hil.link.client import Client
from hil.link.directory import REQUESTS, make_link_directory
from hil.link.server import LinkServer
from hil.link.stop_socket import StopSocket
from tests.hil.link.served import Served

STOP = b'{"type":"request","id":5,"request":{"kind":"stop","cause":"by hand"}}'


@pytest.fixture
def server(tmp_path: Path) -> Iterator[LinkServer]:
    server = LinkServer(tmp_path / "link", {"rate_hz": 1000.0}, 0.15)
    yield server
    server.close()


def taken(server: LinkServer) -> list[object]:
    """Return the stops of two polls: the first only accepts new clients."""
    looks = [server.poll_stop(time.monotonic() + ahead_s) for ahead_s in (0.0, 1.0)]
    return [incoming.request for look in looks for incoming in look]


def test_what_was_sent_is_there_when_the_call_returns(server: LinkServer) -> None:
    stops = StopSocket(server.directory / REQUESTS)
    assert taken(server) == []
    assert stops.send(STOP)
    assert taken(server) == [Stop(cause="by hand")]
    stops.close()


def test_a_stop_passes_what_the_library_was_given_before(server: LinkServer) -> None:
    with zmq.Context() as context, context.socket(zmq.DEALER) as library:
        library.setsockopt(zmq.LINGER, 0)
        library.connect(f"ipc://{server.directory / REQUESTS}")
        stops = StopSocket(server.directory / REQUESTS)
        for _ in range(10):
            taken(server)
            time.sleep(0.01)
        for _ in range(50):
            library.send(b'{"type":"heartbeat","sent_s":0.0}')
        assert stops.send(STOP)
        assert taken(server) == [Stop(cause="by hand")]
        stops.close()


def test_the_answer_comes_back_by_it(server: LinkServer) -> None:
    stops = StopSocket(server.directory / REQUESTS)
    taken(server)
    stops.send(STOP)
    for incoming in server.poll_stop(time.monotonic()):
        server.reply(incoming, True, "stopped")
    reply = stops.reply()
    assert reply is not None and b'"id":5' in reply and b"stopped" in reply
    assert stops.reply() is None
    stops.close()


def test_another_rig_host_at_the_same_place_gets_it_over_a_new_connection(tmp_path: Path) -> None:
    first = LinkServer(tmp_path / "link", {"rate_hz": 1000.0}, 0.15)
    stops = StopSocket(first.directory / REQUESTS)
    taken(first)
    first.close()
    assert not stops.send(STOP) and stops.reply() is None
    second = LinkServer(tmp_path / "link", {"rate_hz": 1000.0}, 0.15)
    try:
        assert stops.send(STOP)
        assert taken(second) == [Stop(cause="by hand")]
    finally:
        stops.close()
        second.close()


def test_where_nobody_listens_or_takes_it_nothing_waits(tmp_path: Path) -> None:
    make_link_directory(tmp_path / "link")
    nobody = StopSocket(tmp_path / "link" / REQUESTS)
    assert nobody.number == -1 and not nobody.send(STOP) and nobody.reply() is None
    server = LinkServer(tmp_path / "link", {"rate_hz": 1000.0}, 0.15)
    try:
        assert nobody.send(STOP)
        while nobody.send(STOP):  # until the system's buffer of unread messages is full
            pass
        assert taken(server) == [Stop(cause="by hand")]
    finally:
        nobody.close()
        server.close()


@pytest.mark.real_time
def test_a_client_s_stop_is_one_and_has_its_answer(tmp_path: Path) -> None:
    with Served(tmp_path / "link") as served, Client.connect(served.directory) as client:
        stops: list[object] = []
        client.take_control()
        assert client.stop()
        number = client.post_stop()
        deadline = time.monotonic() + 10.0
        answers: list[Any] = []
        while not answers and time.monotonic() < deadline:
            stops += [item for item in client.poll() if getattr(item, "kind", "") == "stop"]
            answers = client.answers()
            time.sleep(0.005)
        assert [answer.number for answer in answers] == [number] and answers[0].accepted
