"""A client with a key that sends endlessly does not grow the rig host's memory."""

from __future__ import annotations

import contextlib
import socket
import time
from pathlib import Path

import zmq

from hil.link.client import Client
from hil.link.keys import ClientKeys
from hil.link.network_watch import NetworkWatch, received_bytes
from tests.hil.link.served import Served, rss_bytes

MEGABYTE = 1_000_000


def test_a_message_without_end_costs_no_memory_and_keeps_nobody_out(
    network: Served, keys: Path
) -> None:
    own = ClientKeys.load(keys / "laptop")
    before = most = rss_bytes(network.process.pid)
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    with Client.connect(f"tcp://{network.address}", name="other", keys=own) as other:
        with context.socket(zmq.DEALER) as hostile:
            hostile.setsockopt(zmq.LINGER, 0)
            hostile.setsockopt(zmq.CURVE_PUBLICKEY, own.public.encode())
            hostile.setsockopt(zmq.CURVE_SECRETKEY, own.secret.encode())
            hostile.setsockopt(zmq.CURVE_SERVERKEY, own.server.encode())
            hostile.connect(f"tcp://{network.address}")
            hostile.send_multipart([bytes(60_000)] * 2500)
            end = time.monotonic() + 1.0
            while time.monotonic() < end:
                most = max(most, rss_bytes(network.process.pid))
                time.sleep(0.002)
            assert other.stop("still heard")
        assert most - before < 35 * MEGABYTE, f"{(most - before) / MEGABYTE:.0f} MB"
    context.term()


def test_what_is_none_of_the_ports_connections_is_left_alone() -> None:
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        socket.create_connection(server.getsockname()) as client,
    ):
        accepted, _ = server.accept()
        with accepted:
            port = server.getsockname()[1]
            client.sendall(bytes(1000))
            deadline = time.monotonic() + 10.0
            while received_bytes(accepted.fileno(), port) != 1000:
                assert time.monotonic() < deadline
            assert received_bytes(accepted.fileno(), port + 1) is None
            assert received_bytes(0, port) is None


def test_a_connection_ends_by_what_it_sent_since_its_last_whole_message() -> None:
    watch = NetworkWatch()
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port)) as client:
            accepted, _ = server.accept()
            fd = accepted.fileno()
            watch._note({"event": zmq.EVENT_ACCEPTED, "value": fd}, port, 0.0)
            for whole in (True, False):
                for _ in range(60):
                    with contextlib.suppress(OSError):
                        client.sendall(bytes(30_000))
                        left = 30_000
                        while left and (read := len(accepted.recv(left))):
                            left -= read
                    if whole:
                        watch.whole(fd)
                    watch.look(0.0)
                assert (fd in watch._watched) is whole
            accepted.close()
