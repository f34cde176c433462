"""Messages of hostile clients, prepared beforehand, and those that must never be accepted."""

from __future__ import annotations

import json
import random
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from hil.link.messages import SCHEMA_VERSION

# Kinds of request that any client may send.
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
# Placeholders in a prepared message, replaced when it is sent.
NUMBER, AT_S = 1_234_567_890, 7_654_321.25
POOL = 1000  # messages of a kind that are kept ready
NEW_EVERY = 10  # sent messages after which one is renewed
AGES_S = (0.0, 0.05, 0.5, 5.0, 5000.0, -3.0)  # of a replayed message


def must_be_refused(data: bytes, local: bool) -> bool:
    """Return whether this message of a client without control must be refused.

    The standard library parses it, not the link's own parser.
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


def id_of(data: bytes) -> Any:
    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return said.get("id") if isinstance(said, dict) else None


def is_stop(data: bytes) -> bool:
    return re.search(rb'"stop"', data) is not None


# ---------------------------------------------------------------------- messages


def _dated(message: dict[str, Any]) -> dict[str, Any]:
    dated = {**message, "id": NUMBER}
    if message["type"] in ("acquire_control", "heartbeat", "request"):
        dated["sent_s"] = AT_S
    return dated


def random_bytes(draw: random.Random) -> bytes:
    size = draw.choice((0, 1, 3, 30, 300, 3000))
    if draw.random() < 0.5:
        return draw.randbytes(size)
    return bytes(draw.choices(b'{}[]":,0123456789.eE-+truefalsnkidypqo \\u', k=size))


def mutated(draw: random.Random) -> bytes:
    """Return a real message with a few errors: keys, values, types, bytes."""
    message = json.loads(json.dumps(_dated(draw.choice(REAL))))
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


def real(draw: random.Random) -> bytes:
    """Return a message that only the holder of control may send, from another client."""
    return json.dumps(_dated(draw.choice(REAL))).encode()


def oversized(draw: random.Random) -> bytes:
    size = draw.choice((16_000, 20_000, 120_000, 200_000, 262_000, 300_000))
    inside = draw.choice((b" ", b"[", b'{"a":', b"1,"))
    return (inside * size)[:size]


MAKERS: dict[str, Callable[[random.Random], bytes]] = {
    "random": random_bytes,
    "mutated": mutated,
    "replayed": real,  # with old time stamps as well
    "reordered": real,
    "oversized": oversized,
}


@dataclass(frozen=True, slots=True)
class Made:
    """A message complete except for its number and time stamp.

    Attributes:
        id: identifies its answer; ``NUMBER`` for the number set when sent.
        refused: must not be accepted from a client without control.
    """

    data: bytes
    id: Any
    refused: bool

    def sent(self, number: int, age_s: float = 0.0) -> bytes:
        """Return it with its number and a time stamp ``age_s`` ago."""
        data = self.data
        if self.id == NUMBER:
            data = data.replace(b"%d" % NUMBER, b"%d" % number)
        return data.replace(b"%.2f" % AT_S, b"%.6f" % (time.monotonic() - age_s))


class Pool:
    """Messages of one kind, partly renewed while they are sent: making them is expensive."""

    def __init__(self, kind: str, local: bool, seed: int) -> None:
        self._make = MAKERS[kind]
        self._local = local
        self._draw = random.Random(seed)
        self._ages_s = AGES_S if kind == "replayed" else (0.0,)
        size = 40 if kind == "oversized" else POOL
        self._made = [self._one() for _ in range(size)]
        self._turn = 0

    def seed(self, seed: int) -> None:
        self._draw.seed(seed)

    def next(self, number: int) -> tuple[bytes, Made]:
        """Return a message as sent, and its source."""
        draw, made = self._draw, self._made
        self._turn += 1
        at = int(draw.random() * len(made))
        if self._turn % NEW_EVERY == 0:
            made[at] = self._one()
        one = made[at]
        return one.sent(number, draw.choice(self._ages_s)), one

    def _one(self) -> Made:
        while True:
            data = self._make(self._draw)
            if not is_stop(data):  # any client may stop the bench: a phase of its own
                return Made(data, id_of(data), must_be_refused(data, self._local))
