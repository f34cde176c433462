"""Hostile clients of the campaign: what they send, and which answers they must never get."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import socket as sockets
import struct
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator
from multiprocessing.synchronize import Event as Flag
from pathlib import Path
from typing import Any

import zmq

from hil.link.directory import REQUESTS, SAMPLES, endpoint
from hil.link.keys import ClientKeys
from hil.link.messages import SCHEMA_VERSION
from hil.link.zmtp import GREETING, framed, ready

NICE = 5  # the link is measured, not the sharing of the computer by its kernel
AFTER_CUT = 200  # messages that a connection goes on sending once it was cut off
ANSWERS_AT_ONCE = 50
# Kinds of request that anybody may send.
FREE = ("stop", "marker")
REAL: list[dict[str, Any]] = [
    {"type": "hello", "name": "dashboard", "schema_version": SCHEMA_VERSION},
    {"type": "acquire_control"},
    {"type": "heartbeat"},
    {"type": "request", "request": {"kind": "power_on", "load_supported": True}},
    {"type": "request", "request": {"kind": "apply", "behaviour": {"kind": "float"}}},
    {
        "type": "request",
        "request": {
            "kind": "apply",
            "load_may_move": True,
            "behaviour": {"kind": "constant_force", "force_N": 400.0},
        },
    },
    {"type": "request", "request": {"kind": "reset"}},
    {"type": "request", "request": {"kind": "tare"}},
    {"type": "request", "request": {"kind": "power_off"}},
    {"type": "request", "request": {"kind": "enable", "held": True}},
    {"type": "request", "request": {"kind": "confirm_reference", "position_m": 0.0}},
    {"type": "request", "request": {"kind": "start_run", "name": "theirs"}},
    {"type": "request", "request": {"kind": "end_run"}},
    {"type": "request", "request": {"kind": "marker", "text": "x", "values": {"a": 1.0}}},
    {"type": "release_control"},
    {"type": "disconnect"},
]
WORDS = ["true", "null", "-1", str(2**70), "1e308", '""', '"nan"', "[]", "{}", "[[[[]]]]", "0.0"]
HANDS = GREETING + ready(b"DEALER")


def must_be_refused(data: bytes, local: bool) -> bool:
    """Return whether a client without control must not have this accepted.

    It is read by the standard library, not by the link's own parser.
    """
    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return True
    if not isinstance(said, dict):
        return True
    if said.get("type") == "publish":
        return not local and said.get("kind") != "notice"
    if said.get("type") == "request":
        request = said.get("request")
        return not isinstance(request, dict) or request.get("kind") not in FREE
    return said.get("type") not in ("hello", "release_control", "disconnect")


def _id(data: bytes) -> Any:
    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return said.get("id") if isinstance(said, dict) else None


def is_stop(data: bytes) -> bool:
    return re.search(rb'"stop"', data) is not None


# ---------------------------------------------------------------------- messages


def _dated(message: dict[str, Any], number: int, at_s: float) -> dict[str, Any]:
    dated = {**message, "id": number}
    if message["type"] in ("acquire_control", "heartbeat", "request"):
        dated["sent_s"] = at_s
    return dated


def random_bytes(draw: random.Random, number: int) -> bytes:
    size = draw.choice((0, 1, 3, 30, 300, 3000))
    if draw.random() < 0.5:
        return draw.randbytes(size)
    return bytes(draw.choices(b'{}[]":,0123456789.eE-+truefalsnkidypqo \\u', k=size))


def mutated(draw: random.Random, number: int) -> bytes:
    """A real message with a few things wrong: keys, values, types, bytes."""
    message = json.loads(json.dumps(_dated(draw.choice(REAL), number, time.monotonic())))
    for _ in range(draw.randint(1, 3)):
        place = message
        while draw.random() < 0.6 and (
            inner := [value for value in place.values() if isinstance(value, dict)]
        ):
            place = draw.choice(inner)
        key = draw.choice([*place, "more", "sent_s", "seen_s"])
        match draw.randrange(3):
            case 0:
                place.pop(key, None)
            case 1:
                place[key] = json.loads(draw.choice(WORDS))
            case 2:
                copy = json.loads(json.dumps(place.get(key)))
                place[draw.choice(list(place) or ["id"])] = copy
    data = bytearray(json.dumps(message).encode())
    if draw.random() < 0.3:
        for _ in range(draw.randint(1, 4)):
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    elif draw.random() < 0.2:
        del data[draw.randrange(len(data)) :]
    return bytes(data)


def replayed(draw: random.Random, number: int) -> bytes:
    """What the holder of control says, said by another, now or with an old date."""
    age_s = draw.choice((0.0, 0.05, 0.5, 5.0, 5000.0, -3.0))
    return json.dumps(_dated(draw.choice(REAL), number, time.monotonic() - age_s)).encode()


def reordered(draw: random.Random, number: int) -> bytes:
    """A session in an order of its own: each thing at any moment, as often as it likes."""
    message = REAL[(number * 7 + draw.randrange(3)) % len(REAL)]
    return json.dumps(_dated(message, number, time.monotonic())).encode()


def oversized(draw: random.Random, number: int) -> bytes:
    size = draw.choice((16_000, 20_000, 120_000, 200_000, 262_000, 300_000))
    inside = draw.choice((b" ", b"[", b'{"a":', b"1,"))
    return (inside * size)[:size]


MAKERS: dict[str, Callable[[random.Random, int], bytes]] = {
    "random": random_bytes,
    "mutated": mutated,
    "replayed": replayed,
    "reordered": reordered,
    "oversized": oversized,
}


# ---------------------------------------------------------------------- connections


class Link:
    """A bare connection; opened anew when it was cut off."""

    def __init__(self, where: str, keys: ClientKeys | None) -> None:
        self._where = where
        self._keys = keys
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self.local = keys is None
        self.since_cut: int | None = None
        self.open()

    def open(self) -> None:
        socket = self.socket = self._context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.setsockopt(zmq.SNDTIMEO, 200)
        socket.setsockopt(zmq.SNDHWM, 50)
        if self._keys is not None:
            socket.setsockopt(zmq.CURVE_PUBLICKEY, self._keys.public.encode())
            socket.setsockopt(zmq.CURVE_SECRETKEY, self._keys.secret.encode())
            socket.setsockopt(zmq.CURVE_SERVERKEY, self._keys.server.encode())
        socket.connect(self._where)
        self.since_cut = None
        hello = {"type": "hello", "id": 1, "name": "intruder", "schema_version": SCHEMA_VERSION}
        with contextlib.suppress(zmq.Again):
            socket.send(json.dumps(hello).encode())

    def anew(self) -> None:
        self.socket.close(0)
        self.open()

    def close(self) -> None:
        self.socket.close(0)
        self._context.term()


def talk(kind: str, where: str, keys: ClientKeys | None, count: int, seed: int) -> dict[str, Any]:
    """Send ``count`` messages and judge every answer; returns what was seen."""
    draw = random.Random(seed)
    make = MAKERS[kind]
    link = Link(where, keys)
    sent: deque[bytes] = deque(maxlen=20_000)
    wrong: list[str] = []
    seen: Counter[str] = Counter()

    def read() -> None:
        for _ in range(ANSWERS_AT_ONCE):
            if not link.socket.poll(0):
                return
            reply = json.loads(link.socket.recv())
            seen["accepted" if reply["ok"] else "refused"] += 1
            if "cut off" in reply["text"]:
                seen["cut off"] += 1
                link.since_cut = 0
            if reply["ok"] and reply["id"] > 1:
                data = [data for data in sent if b'"id": %d' % reply["id"] in data]
                data = data or [data for data in sent if _id(data) == reply["id"]]
                if not any(not must_be_refused(one, link.local) for one in data):
                    wrong.append(f"{reply['text']} to {(data or [b'?'])[0]!r:.200}")

    number = 1
    while number <= count:
        number += 1
        data = make(draw, number + 1)
        if is_stop(data):  # anybody may stop the bench: a phase of its own
            continue
        sent.append(data)
        try:
            link.socket.send(data)
            seen["sent"] += 1
        except zmq.Again:
            seen["not taken"] += 1
        if link.since_cut is not None:
            link.since_cut += 1
            if link.since_cut > AFTER_CUT:
                link.anew()
        if number % 8 == 0:
            read()
    end = time.monotonic() + 0.5
    while time.monotonic() < end:
        read()
        time.sleep(0.01)
    link.close()
    return {**seen, "wrong": wrong}


# ---------------------------------------------------------------------- below the protocol


def _raw(address: tuple[str, int] | str) -> sockets.socket:
    family = sockets.AF_UNIX if isinstance(address, str) else sockets.AF_INET
    peer = sockets.socket(family)
    peer.settimeout(0.2)
    peer.connect(address)
    return peer


def _pieces(draw: random.Random) -> Iterator[bytes]:
    """What one connection sends below the protocol's forms."""
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


def below(addresses: list[tuple[str, int] | str], count: int, seed: int) -> dict[str, Any]:
    """Send what is no message to all ports; each piece counts as one."""
    draw = random.Random(seed)
    seen: Counter[str] = Counter()
    while seen["sent"] < count:
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


def slow(addresses: list[tuple[str, int] | str], count: int, seed: int) -> dict[str, Any]:
    """Many connections that send a byte at a time."""
    draw = random.Random(seed)
    text = HANDS + framed(json.dumps(_dated(REAL[3], 3, time.monotonic())).encode())
    peers: list[tuple[sockets.socket, int]] = []
    seen: Counter[str] = Counter()
    while seen["sent"] < count:
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
    kind: str, directory: str, tcp: str, keys: str, count: int, seed: int, done: Flag, result: Any
) -> None:
    """Do one attack: half of it locally, half over the network. The process of an attacker."""
    os.nice(NICE)
    place = Path(directory)
    host, _, port = tcp.rpartition(":")
    ports: list[tuple[str, int] | str] = [str(place / REQUESTS), str(place / SAMPLES)]
    ports += [(host, int(port)), (host, int(port) + 1)]
    found: list[dict[str, Any]] = []
    try:
        if kind == "below":
            found.append(below(ports, count, seed))
        elif kind == "slow":
            found.append(slow(ports, count, seed))
        elif kind == "without keys":
            found.append(below(ports[2:], count, seed))
        else:
            local = endpoint(place, REQUESTS)
            found.append(talk(kind, local, None, count - count // 2, seed))
            known = ClientKeys.load(Path(keys))
            found.append(talk(kind, f"tcp://{tcp}", known, count // 2, seed + 1))
    except Exception as error:
        found.append({"wrong": [f"the attacker itself failed: {error!r}"]})
    done.set()
    result.put(found)
