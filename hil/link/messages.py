"""Formats of the messages on the link.

Requests socket (ROUTER at the rig host, DEALER at a client): one JSON object in one frame each
way. ``type`` names the kind of message; ``id`` comes back in the reply, 0 requests none::

    {"type": "request", "id": 7, "sent_s": 81.25, "request": {"kind": "tare"}}
    {"id": 7, "ok": true, "text": "tare taken", "data": {}, "at_s": 81.26}

Samples socket (PUB at the rig host): one frame. Its first four bytes give the kind, the next four
the rig host that sent it (random, drawn at its start), then the stamp as a little-endian float64.
``ROWS`` is followed by rows of little-endian float64 (``hil.core.samples.ROW``), ``EVENT`` by a
JSON object.

Stamp and ``at_s`` are the host's monotonic clock in s at sending. Everything that may lead to
motion carries its date: ``sent_s``, the same clock, from the rig's computer; from elsewhere
``seen_s``, the newest stamp that the sender has received.
"""

from __future__ import annotations

import json
import math
import struct
from typing import Annotated, Any, Literal

import pydantic_core
from pydantic import Field, TypeAdapter, ValidationError

from hil.core import Message, Numbers, Request

SCHEMA_VERSION = 2  # of these formats; both ends must have the same
ROWS = b"rows"
EVENT = b"evnt"
KIND = 4
STAMP = struct.Struct("<d")
HEAD = 2 * KIND + STAMP.size

MOST_BYTES = 131_072  # of one message; a full table waveform of 2000 points needs up to 102 kB
MOST_BYTES_WATCHER = 16_384  # a client without control has nothing long to send
MOST_BYTES_ANSWERED = 262_144  # beyond it the connection is cut without an answer
_MOST_EXPLAINED = 8  # errors of one message: pydantic builds all to show the first, 3 us each
MOST_COLONS = 200  # bounds the keys of a message, and so its validation errors

Id = Annotated[int, Field(ge=0, le=2**53)]
Moment = Annotated[float | None, Field(default=None)]
Text = Annotated[str, Field(max_length=500)]


class Hello(Message):
    """Introduction; the answer carries the description of the bench."""

    type: Literal["hello"]
    id: Id = 0
    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
    schema_version: int


class AcquireControl(Message):
    """Request for control."""

    type: Literal["acquire_control"]
    id: Id = 0
    sent_s: Moment
    seen_s: Moment


class Release(Message):
    """Release of control."""

    type: Literal["release_control"]
    id: Id = 0


class Beat(Message):
    """Heartbeat. Never answered."""

    type: Literal["heartbeat"]
    id: Id = 0
    sent_s: Moment  # time.monotonic() of a sender on the same machine
    seen_s: Moment  # newest stamp that a sender elsewhere has received


class RequestMessage(Message):
    """Request to the bench, dated like ``Beat``; one that is too old is not obeyed."""

    type: Literal["request"]
    id: Id = 0
    sent_s: Moment
    seen_s: Moment
    request: Request


class Publish(Message):
    """Notice for the operator; published as an event of this kind."""

    type: Literal["publish"]
    id: Id = 0
    kind: Literal["notice", "recording", "recorded", "kept"]
    text: Text = ""
    run: Annotated[str, Field(max_length=200)] = ""
    values: Numbers = {}


class Disconnect(Message):
    """End of the connection; releases control as well."""

    type: Literal["disconnect"]
    id: Id = 0


Envelope = Annotated[
    Hello | AcquireControl | Release | Beat | RequestMessage | Publish | Disconnect,
    Field(discriminator="type"),
]
ENVELOPE: TypeAdapter[Envelope] = TypeAdapter(Envelope)


def id_of(text: bytes) -> int:
    """Return the ``id`` of an invalid message, or 0."""
    if len(text) <= MOST_BYTES_WATCHER:
        try:
            found = pydantic_core.from_json(text)["id"]
        except (ValueError, TypeError, KeyError):
            return 0
        if type(found) is int and 0 < found <= 2**53:
            return found
    return 0


def explain(error: ValueError) -> str:
    """Return the first mistake of a message as one sentence with its place."""
    if not isinstance(error, ValidationError):
        return f"message not understood: {error!s:.200}"
    count = error.error_count()
    if count > _MOST_EXPLAINED:
        return f"message not understood: {count} mistakes"
    errors = error.errors(include_url=False, include_context=False)
    first = errors[0]
    place = ".".join(str(part) for part in first["loc"])[:120]
    found = first.get("input")
    plain = isinstance(found, str | int | float)
    shown = f" (got {found!r:.60})" if plain else ""
    more = f"; and {len(errors) - 1} more" if len(errors) > 1 else ""
    where = f"{place}: " if place else ""
    return f"message not understood: {where}{str(first['msg'])[:200]}{shown}{more}"


def to_json(data: dict[str, Any]) -> bytes:
    """Return JSON in UTF-8; numbers that JSON cannot hold become null. Raises nothing."""
    try:
        return pydantic_core.to_json(data, inf_nan_mode="null")
    except Exception:  # arrays, text that is not Unicode: rare, may be slow
        return json.dumps(_plain(data), allow_nan=False, separators=(",", ":")).encode()


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    item = getattr(value, "item", None)  # numpy scalars and arrays of one
    if item is not None:
        try:
            return _plain(item())
        except ValueError:
            return _plain(value.tolist())
    return str(value)
