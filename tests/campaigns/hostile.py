"""Hostile clients of the campaign: how they send, and how their answers are judged."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import random
import socket as sockets
import struct
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing.synchronize import Event as Flag
from pathlib import Path
from typing import Any, Protocol

import zmq
from hostile_messages import NUMBER, REAL, Made, Pool

from hil.link.directory import REQUESTS, SAMPLES, endpoint
from hil.link.keys import ClientKeys
from hil.link.messages import MOST_BYTES, SCHEMA_VERSION
from hil.link.zmtp import GREETING, Incoming, ProtocolError, framed, ready

NICE = 5  # the link is measured, not the kernel's scheduling
AFTER_CUT = 200  # messages that a connection still sends after it was cut off
BURST = 25  # messages between two reads of the answers
ANSWERS_AT_ONCE = 200
# Messages of one process: the rig host counts errors by process, and reads none beyond its budget.
OF_PROCESS = 1000
FIRST_NUMBER = 10_000_000  # above every number that a mutation may put in its place
PATIENCE_S = 1.0
HANDS = GREETING + ready(b"DEALER")
HELLO = json.dumps(
    {"type": "hello", "id": 1, "name": "intruder", "schema_version": SCHEMA_VERSION}
).encode()


# ---------------------------------------------------------------------- connections


class Link(Protocol):
    """Bare connection, reopened after it was cut off."""

    def send(self, burst: list[bytes]) -> int:
        """Send messages; return how many were accepted."""

    def answers(self) -> Iterator[bytes]:
        """Yield the received messages."""

    def anew(self) -> None:
        """Close this connection and open another."""

    def close(self) -> None:
        """End it."""


class LocalLink:
    """A connection in the file system; a burst leaves in one call."""

    def __init__(self, path: str) -> None:
        self._path = path
        self.anew()

    def anew(self) -> None:
        self._socket = _raw(self._path)
        self._incoming = Incoming(b"DEALER", MOST_BYTES, MOST_BYTES)
        self._gone = False
        self.send([])

    def send(self, burst: list[bytes]) -> int:
        begin = [] if burst else [HANDS, framed(HELLO)]
        self._socket.settimeout(PATIENCE_S)
        try:
            self._socket.sendall(b"".join([*begin, *(framed(data) for data in burst)]))
        except OSError:  # cut off, or not served
            self._gone = True
            return 0
        return len(burst)

    def answers(self) -> Iterator[bytes]:
        incoming = self._incoming
        self._socket.setblocking(False)
        for _ in range(ANSWERS_AT_ONCE):
            try:
                parcel = incoming.take()
                if parcel is None:
                    read = self._socket.recv(65_536)
                    if not read:
                        raise ProtocolError
                    incoming.feed(memoryview(read))
                    continue
            except BlockingIOError:
                break
            except (ProtocolError, OSError):
                self._gone = True
                break
            if parcel.data is not None:
                yield parcel.data
        if self._gone:
            self.close()
            self.anew()

    def close(self) -> None:
        self._socket.close()


class NetworkLink:
    """An encrypted connection of the library's, with keys that the rig host allows."""

    def __init__(self, where: str, keys: ClientKeys) -> None:
        self._where = where
        self._keys = keys
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._open()

    def _open(self) -> None:
        socket = self._socket = self._context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.SNDTIMEO, 200)
        socket.setsockopt(zmq.SNDHWM, 2 * BURST)
        socket.setsockopt(zmq.RECONNECT_IVL, 5)
        socket.setsockopt(zmq.CURVE_PUBLICKEY, self._keys.public.encode())
        socket.setsockopt(zmq.CURVE_SECRETKEY, self._keys.secret.encode())
        socket.setsockopt(zmq.CURVE_SERVERKEY, self._keys.server.encode())
        socket.connect(self._where)
        self.send([HELLO])

    def send(self, burst: list[bytes]) -> int:
        taken = 0
        for data in burst:
            with contextlib.suppress(zmq.Again):
                self._socket.send(data)
                taken += 1
        return taken

    def answers(self) -> Iterator[bytes]:
        for _ in range(ANSWERS_AT_ONCE):
            try:
                yield self._socket.recv(zmq.NOBLOCK)
            except zmq.Again:
                return

    def anew(self) -> None:
        self._socket.close(0)
        self._open()

    def close(self) -> None:
        self._socket.close(0)
        self._context.term()


class Judge:
    """Judge that knows the sent messages and finds those accepted wrongly."""

    def __init__(self) -> None:
        self.seen: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.cut = False
        self._sent: dict[Any, list[Made]] = {}

    def note(self, number: int, made: Made) -> None:
        key = number if made.id == NUMBER else made.id
        with contextlib.suppress(TypeError):  # a list is not a number that an answer could contain
            self._sent.setdefault(key, []).append(made)

    def answer(self, data: bytes) -> None:
        reply = json.loads(data)
        self.seen["accepted" if reply["ok"] else "refused"] += 1
        if "cut off" in reply["text"]:
            self.seen["cut off"] += 1
            self.cut = True
        if reply["ok"] and reply["id"] > 1:
            made = self._sent.get(reply["id"], [])
            if all(one.refused for one in made):
                self.wrong.append(f"{reply['text']} to {[one.data for one in made]!r:.200}")


def connect(where: str, keys: ClientKeys | None) -> Link:
    """Connect to the request socket: locally without keys, else over the network."""
    return LocalLink(where.removeprefix("ipc://")) if keys is None else NetworkLink(where, keys)


def talk(
    kind: str,
    where: str,
    keys: ClientKeys | None,
    count: int,
    seed: int,
    pool: Pool | None = None,
    go: Flag | None = None,
) -> dict[str, Any]:
    """Send ``count`` messages and judge every answer; return the observations.

    Args:
        pool: of messages; None to make one.
        go: while it is not set nothing is sent.
    """
    pool = pool or Pool(kind, keys is None, seed)
    judge = Judge()
    link = connect(where, keys)
    since_cut = 0
    number = FIRST_NUMBER
    for _ in range(2 * count):
        left = count - judge.seen["sent"]
        if left <= 0:
            break
        if go is not None:
            go.wait()
        burst = []
        for _ in range(min(left, 1 if kind == "oversized" else BURST)):
            number += 1
            data, made = pool.next(number)
            judge.note(number, made)
            burst.append(data)
        taken = link.send(burst)
        judge.seen["sent"] += taken
        judge.seen["not taken"] += len(burst) - taken
        for answer in link.answers():
            judge.answer(answer)
        if judge.cut:
            since_cut += len(burst)
            if since_cut > AFTER_CUT:
                link.anew()
                judge.cut, since_cut = False, 0
    end = time.monotonic() + 0.05
    while time.monotonic() < end:
        for answer in link.answers():
            judge.answer(answer)
            end = time.monotonic() + 0.05
        time.sleep(0.002)
    link.close()
    return {**judge.seen, "wrong": judge.wrong}


def in_processes(
    kind: str, where: str, keys: ClientKeys | None, count: int, seed: int, go: Flag
) -> dict[str, Any]:
    """Send ``count`` messages from successive processes."""
    pool = Pool(kind, keys is None, seed)
    context = multiprocessing.get_context("fork")
    seen: Counter[str] = Counter()
    wrong: list[str] = []
    for part in range(0, count, OF_PROCESS):
        result: Any = context.SimpleQueue()

        def child(part: int = part, result: Any = result) -> None:
            pool.seed(seed + part)
            number = min(OF_PROCESS, count - part)
            try:
                result.put(talk(kind, where, keys, number, seed + part, pool, go))
            except Exception as error:
                result.put({"wrong": [f"the attacker itself failed: {error!r}"]})

        process = context.Process(target=child)
        process.start()
        found = result.get()
        process.join()
        wrong += found.pop("wrong")
        seen.update(found)
    return {**seen, "wrong": wrong}


# ---------------------------------------------------------------------- below the protocol


def _raw(address: tuple[str, int] | str) -> sockets.socket:
    family = sockets.AF_UNIX if isinstance(address, str) else sockets.AF_INET
    peer = sockets.socket(family)
    peer.settimeout(0.2)
    peer.connect(address)
    return peer


def _pieces(draw: random.Random) -> Iterator[bytes]:
    """Return the bytes that one connection sends below the level of the protocol."""
    match draw.randrange(6):
        case 0:
            yield draw.randbytes(draw.choice((1, 64, 500)))
        case 1:  # an endless message
            yield HANDS
            for _ in range(40):
                yield b"\x01\x00" * 200 + b"\x01\xff" + bytes(255)
        case 2:  # topics without end
            yield GREETING + ready(b"SUB")
            for _ in range(40):
                yield b"".join(framed(b"\x01" + draw.randbytes(40)) for _ in range(10))
        case 3:  # announced, never sent
            yield HANDS + struct.pack(">BQ", 2, draw.choice((200_000, 1 << 40)))
            yield bytes(100)
        case 4:
            yield HANDS + b"\x04\x09\x04PING\x00\x0aab" * 100
        case 5:
            yield GREETING[: draw.randrange(1, 64)]


def below(
    addresses: list[tuple[str, int] | str], count: int, seed: int, go: Flag | None = None
) -> dict[str, Any]:
    """Send bytes that are not messages to all ports; each piece counts as one."""
    draw = random.Random(seed)
    seen: Counter[str] = Counter()
    while seen["sent"] < count:
        if go is not None:
            go.wait()
        try:
            with _raw(draw.choice(addresses)) as peer:
                seen["connections"] += 1
                for piece in _pieces(draw):
                    peer.sendall(piece)
                    seen["sent"] += 1
                if draw.random() < 0.2:
                    time.sleep(0.01)
        except OSError:
            seen["put out"] += 1
    return {**seen, "wrong": []}


def slow(
    addresses: list[tuple[str, int] | str], count: int, seed: int, go: Flag | None = None
) -> dict[str, Any]:
    """Open many connections that send a byte at a time."""
    draw = random.Random(seed)
    text = HANDS + framed(json.dumps({**REAL[3], "id": 3, "sent_s": time.monotonic()}).encode())
    peers: list[tuple[sockets.socket, int]] = []
    seen: Counter[str] = Counter()
    while seen["sent"] < count:
        if go is not None:
            go.wait()
        while len(peers) < 40:
            try:
                peers.append((_raw(draw.choice(addresses)), 0))
            except OSError:
                seen["put out"] += 1
        peer, at = peers.pop(0)
        try:
            peer.sendall(text[at : at + 1])
            seen["sent"] += 1
            if at + 1 < len(text):
                peers.append((peer, at + 1))
            else:
                peer.close()
        except OSError:
            seen["put out"] += 1
            peer.close()
        time.sleep(0.0005)
    for peer, _ in peers:
        peer.close()
    return {**seen, "wrong": []}


def attack(
    kind: str,
    place: tuple[str, str, str],
    remote: bool,
    count: int,
    seed: int,
    go: Flag,
    done: Flag,
    result: Any,
    nice: int,
) -> None:
    """Run one attack, locally or over the network, as an attacker's process.

    Args:
        place: link directory, address on the network, file of the client's keys.
        go: while it is not set nothing is sent.
    """
    os.nice(nice)
    directory, tcp, keys = place
    host, _, port = tcp.rpartition(":")
    local: list[tuple[str, int] | str] = [str(Path(directory) / n) for n in (REQUESTS, SAMPLES)]
    network: list[tuple[str, int] | str] = [(host, int(port)), (host, int(port) + 1)]
    ports = network if remote else local
    try:
        if kind in ("below", "without keys"):
            found = below(ports, count, seed, go)
        elif kind == "slow":
            found = slow(ports, count, seed, go)
        elif remote:
            known = ClientKeys.load(Path(keys))
            found = in_processes(kind, f"tcp://{tcp}", known, count, seed, go)
        else:
            found = in_processes(kind, endpoint(Path(directory), REQUESTS), None, count, seed, go)
    except Exception as error:
        found = {"wrong": [f"the attacker itself failed: {error!r}"]}
    done.set()
    result.put(found)
