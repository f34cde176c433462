"""The rig host's own end of ZMTP: of anything that a peer sends, a bounded part is kept."""

from __future__ import annotations

import socket
import struct
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.link.client import Client
from hil.link.directory import REQUESTS, SAMPLES
from hil.link.server import LinkServer
from hil.link.zmtp import GREETING, MOST_FRAMES, Incoming, ProtocolError, framed, ready
from tests.hil.link.served import Served, rss_bytes

MOST, SKIPPED = 1000, 5000
KEPT = 80_000  # bytes kept for one connection, including one read of 64 kB
MEGABYTE = 1_000_000


def fed(pieces: list[bytes]) -> tuple[list[tuple[int, int, bool]], Incoming, bool]:
    """Return sizes, frames and ends of the messages; the reader; whether the peer was refused."""
    incoming = Incoming(b"ROUTER", MOST, SKIPPED)
    found = []
    try:
        for piece in pieces:
            incoming.feed(memoryview(piece))
            while (parcel := incoming.take()) is not None:
                assert parcel.data is None or len(parcel.data) == parcel.size
                found.append((parcel.size, parcel.frames, parcel.over))
                if not parcel.over:
                    return found, incoming, True
    except ProtocolError:
        return found, incoming, True
    return found, incoming, False


def frame(size: int, more: bool) -> bytes:
    if size > 255:
        return struct.pack(">BQ", 2 | more, size) + bytes(size)
    return bytes((more, size)) + bytes(size)


HANDS = GREETING + ready(b"DEALER")
MESSAGES = st.lists(
    st.lists(st.sampled_from([0, 1, 255, 256, MOST, MOST + 1, SKIPPED]), min_size=1, max_size=5),
    max_size=5,
)


@settings(deadline=None)
@given(MESSAGES, st.lists(st.integers(0, 3000), max_size=12))
def test_messages_are_the_same_however_the_stream_is_cut(
    messages: list[list[int]], cuts: list[int]
) -> None:
    stream = HANDS
    for sizes in messages:
        stream += b"".join(frame(s, i < len(sizes) - 1) for i, s in enumerate(sizes))
    pieces, at = [], 0
    for cut in cuts:
        pieces.append(stream[at : at + cut])
        at += cut
    pieces.append(stream[at:])
    found, incoming, refused = fed(pieces)
    assert not refused and incoming.open
    assert found == [(sizes[0], len(sizes), True) for sizes in messages]


@settings(deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_garbage_is_refused_or_kept_within_bounds(garbage: bytes, greeted: bool) -> None:
    fed([HANDS + garbage] if greeted else [garbage])


@pytest.mark.parametrize("one", [frame(0, True), frame(255, True), frame(SKIPPED, True)])
def test_an_endless_message_is_refused_after_some_frames(one: bytes) -> None:
    found, incoming, refused = fed([HANDS, *[one] * 3 * MOST_FRAMES])
    assert refused and found[-1][1:] == (MOST_FRAMES + 1, False)
    assert len(incoming._got) < KEPT


def test_what_is_announced_and_too_long_is_refused_at_its_head() -> None:
    assert fed([HANDS, struct.pack(">BQ", 2, SKIPPED + 1)])[2]
    assert fed([HANDS, struct.pack(">BQ", 4 | 2, 1 << 40)])[2]
    assert not fed([HANDS, struct.pack(">BQ", 2, SKIPPED)])[2]


@pytest.mark.parametrize("text", [b"x" * 80, GREETING[:11] + bytes(60), GREETING + framed(b"x")])
def test_another_protocol_is_refused(text: bytes) -> None:
    assert fed([text])[2]


def test_a_ping_is_answered() -> None:
    incoming = Incoming(b"ROUTER", MOST, SKIPPED)
    incoming.feed(memoryview(HANDS + b"\x04\x09\x04PING\x00\x0aab"))
    assert incoming.take() is None
    assert incoming.answers.endswith(b"\x04\x07\x04PONGab")


def test_commands_without_end_are_refused() -> None:
    ping = b"\x04\x09\x04PING\x00\x0aab"
    assert not fed([HANDS, ping * 10, ping * 10])[2]
    assert fed([HANDS, ping * 100])[2]


# ---------------------------------------------------------------------- real sockets


def blast(path: Path, begin: bytes, data: bytes, size: int) -> int:
    """Send ``data`` repeatedly, over new connections if needed; return the number of connections."""
    left, connections = size, 0
    while left > 0:
        with socket.socket(socket.AF_UNIX) as peer:
            peer.settimeout(5.0)
            peer.connect(str(path))
            connections += 1
            try:
                peer.sendall(begin)
                while left > 0:
                    peer.sendall(data)
                    left -= len(data)
            except OSError:
                left -= len(data)
    return connections


@pytest.mark.parametrize("name", [REQUESTS, SAMPLES])
def test_an_endless_message_costs_no_memory(served: Served, name: str) -> None:
    frames = frame(60_000, True) * 16
    with Client.connect(served.directory, name="other") as other:
        before = rss_bytes(served.process.pid)
        connections = blast(served.directory / name, HANDS, frames, 60 * MEGABYTE)
        assert rss_bytes(served.process.pid) - before < 10 * MEGABYTE
        assert connections > 5
        assert other.stop("still heard")


def test_topics_without_end_cost_no_memory(served: Served) -> None:
    topics = b"".join(framed(b"\x01" + i.to_bytes(8, "big") * 5) for i in range(1000))
    before = rss_bytes(served.process.pid)
    blast(served.directory / SAMPLES, GREETING + ready(b"SUB"), topics, 10 * MEGABYTE)
    assert rss_bytes(served.process.pid) - before < 5 * MEGABYTE


def test_who_does_not_shake_hands_is_put_out(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hil.link.local_port.SHAKE_S", 0.01)
    server = LinkServer(directory, {}, 0.15)
    with socket.socket(socket.AF_UNIX) as peer:
        peer.settimeout(0.0)
        peer.connect(str(directory / REQUESTS))
        deadline = time.monotonic() + 10.0
        ended = False
        while not ended:
            assert time.monotonic() < deadline
            assert list(server.poll(time.monotonic())) == []
            try:
                ended = peer.recv(100) == b""
            except BlockingIOError:
                time.sleep(0.002)
    server.close()


def test_a_process_with_too_many_connections_loses_its_own(
    directory: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("hil.link.local_port.MOST_PEERS", 3)
    server = LinkServer(directory, {}, 0.15)
    port = server._sources[0].port  # type: ignore[attr-defined]
    peers = []
    for number in range(6):
        before = set(port.peers)
        peer = socket.socket(socket.AF_UNIX)
        peer.connect(str(directory / REQUESTS))
        peers.append(peer)
        deadline = time.monotonic() + 10.0
        while set(port.peers) == before:
            assert list(server.poll(time.monotonic())) == [] and time.monotonic() < deadline
        if number == 0:
            (port.keep,) = kept = tuple(port.peers)
            server.gate.holder_id = port.keep
        assert len(port.peers) <= 3
    assert kept[0] in port.peers
    for peer in peers:
        peer.close()
    server.close()
