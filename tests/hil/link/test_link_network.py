"""The link over the network: encrypted and for listed keys only."""

from __future__ import annotations

import json
import math
import os
import time
from pathlib import Path
from typing import Any

import pytest
import zmq

from hil.core.requests import Marker, Tare
from hil.link.client import Block, Client, HostGone, LinkError
from hil.link.keys import ClientKeys, CurveKeyError, ServerKeys, make_client_keys, make_server_keys
from hil.link.messages import SCHEMA_VERSION
from hil.link.server import LinkServer
from tests.hil.link.served import Served

pytestmark = pytest.mark.real_time

HELLO = {"type": "hello", "id": 1, "name": "plain", "schema_version": SCHEMA_VERSION}


def test_a_listed_key_watches_and_asks(network: Served, keys: Path) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with Client.connect(f"tcp://{network.address}", name="far", keys=mine) as client:
        rows = sum(len(item.rows) for item in client.watch(0.3) if isinstance(item, Block))
        assert rows > 20 and client.lost_samples == 0
        client.take_control()
        assert client.request(Tare()) == "taken from far"
        assert client.stop() == "taken from far"
        # The same rig host serves its own computer without keys, in its private directory.
        with Client.connect(network.directory, name="near") as near:
            assert near.request(Marker(text="both")) == "taken from near"


def test_a_remote_client_cannot_pose_as_the_recorder(network: Served, keys: Path) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with (
        Client.connect(f"tcp://{network.address}", name="recorder", keys=mine) as far,
        Client.connect(network.directory, name="near") as near,
    ):
        far.tell("recorded", "all is on disk", run="0001-walk")
        far.tell("notice", "hello from afar")
        end = time.monotonic() + 5
        seen: list[Any] = []
        while not any(e["kind"] == "notice" for e in seen) and time.monotonic() < end:
            far.poll()
            seen += [item for item in near.poll() if not hasattr(item, "rows")]
            time.sleep(0.01)
        assert [e["from"] for e in seen if e["kind"] == "notice"] == ["remote recorder"]
        assert not any(e["kind"] == "recorded" for e in seen)


def test_a_key_that_is_not_listed_is_turned_away(network: Served, keys: Path) -> None:
    make_client_keys(keys / "stranger", keys / "server", "stranger")  # made after the host started
    theirs = ClientKeys.load(keys / "stranger")
    with pytest.raises(HostGone, match="does not allow this client's key"):
        Client.connect(f"tcp://{network.address}", keys=theirs, timeout_s=5)


def test_a_false_host_is_not_trusted(network: Served, keys: Path) -> None:
    mine = ClientKeys.load(keys / "laptop")
    wrong = ClientKeys(mine.public, mine.secret, server=mine.public)
    with pytest.raises(HostGone):
        Client.connect(f"tcp://{network.address}", keys=wrong, timeout_s=0.5)


def test_nothing_is_served_in_the_clear(network: Served) -> None:
    host, port = network.address.split(":")
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        requests, samples = context.socket(zmq.DEALER), context.socket(zmq.SUB)
        requests.connect(f"tcp://{host}:{port}")
        samples.subscribe(b"")
        for offset in (0, 1):
            samples.connect(f"tcp://{host}:{int(port) + offset}")
        requests.send(json.dumps(HELLO).encode())
        assert not requests.poll(500)
        assert not samples.poll(200)
    finally:
        context.destroy(linger=0)


def test_no_keys_no_network(directory: Path) -> None:
    with pytest.raises(LinkError, match="always encrypted"):
        LinkServer(directory, {}, 0.15, tcp="127.0.0.1:0")
    with pytest.raises(LinkError, match="always encrypted"):
        Client.connect("tcp://127.0.0.1:5600")
    with pytest.raises(LinkError, match="write tcp://HOST:PORT"):
        Client.connect("http://127.0.0.1:5600")
    with pytest.raises(LinkError, match="write tcp://HOST:PORT"):
        Client.connect("tcp://127.0.0.1:99999")


@pytest.mark.parametrize("address", ["5600", "host:", "127.0.0.1:x", "127.0.0.1:70000"])
def test_an_address_that_is_none_is_named(keys: Path, address: str) -> None:
    with pytest.raises(LinkError, match=r"HOST:PORT"):
        LinkServer(keys / "link", {}, 0.15, tcp=address, keys=ServerKeys.load(keys / "server"))


def test_a_port_in_use_is_named(network: Served, keys: Path) -> None:
    with pytest.raises(LinkError, match="cannot be bound: Address already in use"):
        LinkServer(
            keys / "other", {}, 0.15, tcp=network.address, keys=ServerKeys.load(keys / "server")
        )


# ---------------------------------------------------------------------- key files


def test_secrets_are_for_their_owner_only(keys: Path) -> None:
    for secret in (keys / "server" / "server.secret", keys / "laptop" / "client.secret"):
        assert secret.stat().st_mode & 0o777 == 0o600
    (keys / "server" / "server.secret").chmod(0o640)
    with pytest.raises(CurveKeyError, match=r"can be read by other users.*chmod 600"):
        ServerKeys.load(keys / "server")


def test_a_pair_that_exists_is_kept(keys: Path) -> None:
    before = ServerKeys.load(keys / "server")
    make_server_keys(keys / "server")
    assert ServerKeys.load(keys / "server") == before
    assert before.secret not in repr(before)


def test_names_of_clients_are_unique_and_file_names(keys: Path) -> None:
    with pytest.raises(CurveKeyError, match="exists already"):
        make_client_keys(keys / "again", keys / "server", "laptop")
    for name in ("../up", "", "a b", "x" * 61):
        with pytest.raises(CurveKeyError, match="is not a name"):
            make_client_keys(keys / "again", keys / "server", name)
    assert not (keys / "again").exists()


def test_a_directory_without_clients_says_what_to_do(directory: Path) -> None:
    make_server_keys(directory / "server")
    with pytest.raises(CurveKeyError, match="no client could connect"):
        ServerKeys.load(directory / "server")


@pytest.mark.parametrize("content", [b"", b"\xff" * 40, b"short", b"~" * 40, b"a" * 41])
def test_a_file_that_holds_no_key_is_named(keys: Path, content: bytes) -> None:
    (keys / "laptop" / "server.public").write_bytes(content)
    with pytest.raises(CurveKeyError, match=r"server\.public' holds no key"):
        ClientKeys.load(keys / "laptop")


def test_missing_and_mixed_up_files_are_named(keys: Path) -> None:
    os.replace(keys / "laptop" / "server.public", keys / "laptop" / "client.public")
    with pytest.raises(CurveKeyError, match="does not belong"):
        ClientKeys.load(keys / "laptop")
    (keys / "laptop" / "client.public").unlink()
    with pytest.raises(CurveKeyError, match="cannot be read"):
        ClientKeys.load(keys / "laptop")


# ---------------------------------------------------------------------- age


def test_a_request_that_was_late_over_the_network_is_refused_with_its_age(
    network: Served, keys: Path
) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with Client.connect(f"tcp://{network.address}", name="far", keys=mine) as client:
        client.take_control()
        assert 0.0 < client.round_trip_s < 2.0
        on_its_way = {
            "type": "request",
            "id": 4242,
            "seen_s": client._requests.seen_s - 3.0,  # as if delayed on the way by 3 s
            "sent_s": client._requests.seen_s + 3.0,  # a remote clock is ignored
            "request": {"kind": "power_on", "load_supported": True},
        }
        client._sockets.requests.send(json.dumps(on_its_way).encode())
        assert client._sockets.requests.poll(10_000)
        reply = json.loads(client._sockets.requests.recv())
        assert not reply["ok"] and "was 3." in reply["text"] and "above 1 s" in reply["text"]
        stop = {**on_its_way, "request": {"kind": "stop"}}
        client._sockets.requests.send(json.dumps(stop).encode())
        assert client._sockets.requests.poll(10_000)
        assert json.loads(client._sockets.requests.recv())["ok"]


def test_a_remote_holder_that_computes_keeps_control_by_its_thread(
    network: Served, keys: Path
) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with Client.connect(f"tcp://{network.address}", name="far", keys=mine) as client:
        client.take_control()
        with client.keep_control():
            time.sleep(0.6)  # three times the heartbeat limit without a poll
            client.poll()
            assert client.in_control


def test_the_delay_of_a_remote_link_is_that_by_which_the_host_judges(
    network: Served, keys: Path
) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with Client.connect(f"tcp://{network.address}", name="far", keys=mine) as client:
        posted = client.post(Marker(text="there and back"))
        deadline = time.monotonic() + 10.0
        while posted not in [answer.number for answer in client.answers()]:
            assert time.monotonic() < deadline
            client.poll()
        assert 0.0 < client.link_delay_s == client.round_trip_s < 10.0
        client.take_control()
        while not client.link_delay_s > 0.0:
            assert time.monotonic() < deadline
            client.poll()
            time.sleep(0.01)
        assert client.link_delay_s != client.round_trip_s
    with Client.connect(network.directory) as near:
        near.request(Marker(text="here"))
        assert math.isnan(near.link_delay_s)


def test_a_remote_holder_that_hears_nothing_new_loses_control(network: Served, keys: Path) -> None:
    mine = ClientKeys.load(keys / "laptop")
    with Client.connect(f"tcp://{network.address}", name="far", keys=mine) as client:
        client.take_control()
        end = time.monotonic() + 1.0
        while time.monotonic() < end:
            client.heartbeat()  # does not read samples: its newest stamp grows old
            time.sleep(0.02)
        client.poll()
        assert not client.in_control
