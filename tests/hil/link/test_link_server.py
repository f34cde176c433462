"""The rig host's end of the link: holder of control, requests for the cycle, published samples."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from hil.core.requests import Tare
from hil.core.samples import COLUMNS, ROW, Sample
from hil.link.messages import HEAD
from hil.link.server import LinkServer
from tests.hil.link.bare_server import DESCRIPTION, PATIENCE_S, Bare, hello, take_control

pytestmark = pytest.mark.real_time
ROW_0 = Sample._make(range(len(COLUMNS)))


def test_control_passes_only_through_release_or_drop(bare: Bare) -> None:
    other = bare.open()
    take_control(bare)
    assert bare.server.holder == "bare"
    assert bare.ask(hello("other"), other)["ok"]
    refused = bare.ask({"type": "acquire_control", "id": 3}, other)
    assert not refused["ok"] and "'bare'" in refused["text"]
    assert refused["data"]["holder"] == "bare"
    # Neither another client's heartbeat nor a second hello changes anything.
    bare.send({"type": "heartbeat"}, other)
    bare.ask(hello("other"), other)
    now = time.monotonic()
    assert not bare.server.holder_late(now)
    assert bare.server.holder_late(now + 0.2)
    bare.server.drop_holder()
    assert bare.server.holder is None and not bare.server.holder_late(now + 9)
    assert not bare.ask({"type": "request", "id": 4, "request": {"kind": "tare"}})["ok"]
    assert bare.ask({"type": "acquire_control", "id": 3}, other)["ok"]


def test_a_late_request_is_named_as_late(bare: Bare) -> None:
    take_control(bare)
    old = time.monotonic() - 5.0
    tare = {"type": "request", "id": 4, "sent_s": old, "request": {"kind": "tare"}}
    assert "was 5.0" in bare.ask(tare)["text"]
    stop = {"type": "request", "id": 5, "sent_s": old, "request": {"kind": "stop"}}
    assert bare.ask(stop)["ok"]  # a stop is never too late
    # A stamp from a fast clock counts as no later than its reception.
    bare.send({"type": "heartbeat", "sent_s": old + 1e6})
    bare.settle()
    assert bare.server.holder_late(time.monotonic() + 0.2)


def test_rows_and_events_keep_their_order(bare: Bare) -> None:
    subscriber = bare.subscribe()
    for i in range(25):
        bare.server.publish_row(ROW_0._replace(time_s=float(i)))
    bare.server.publish_event({"kind": "marker", "text": "here"})
    bare.server.publish_row(ROW_0._replace(time_s=25.0))
    bare.server.flush()
    bare.server.flush()
    frames = []
    while subscriber.poll(100):
        frames.append(subscriber.recv())
    sizes = [(len(frame) - HEAD) // ROW.size for frame in frames if frame[:4] == b"rows"]
    assert sizes == [20, 5, 1]
    assert json.loads(frames[2][HEAD:]) == {"kind": "marker", "text": "here"}
    rows = [
        np.frombuffer(f, "<f8", offset=HEAD).reshape(-1, len(COLUMNS))
        for f in (frames[0], frames[1], frames[3])
    ]
    np.testing.assert_array_equal(np.concatenate(rows)[:, 0], np.arange(26.0))


def test_an_event_may_hold_what_json_does_not_know(bare: Bare) -> None:
    subscriber = bare.subscribe()
    event = {
        "kind": "tare",
        "bad": float("nan"),
        "big": np.float64("inf"),
        "count": np.int64(3),
        "many": np.array([1.0, 2.0]),
        "path": Path("x"),
        "set": {2},
    }
    bare.server.publish_event(event)
    assert subscriber.poll(1000)
    assert json.loads(subscriber.recv()[HEAD:]) == {
        "kind": "tare",
        "bad": None,
        "big": None,
        "count": 3,
        "many": [1.0, 2.0],
        "path": "x",
        "set": [2],
    }


def test_a_subscriber_that_takes_nothing_blocks_nobody(bare: Bare) -> None:
    sleeper, reader = bare.subscribe(), bare.subscribe()
    taken = 0
    for _ in range(300):  # 300 s of blocks: more than is kept for any client
        for _ in range(1000):
            bare.server.publish_row(ROW_0)
        while reader.poll(0):
            taken += (len(reader.recv()) - HEAD) // ROW.size
    assert taken + bare.drain(reader, 300_000 - taken) == 300_000
    sleeper.close()


def test_two_minutes_are_kept_for_one_who_sleeps(bare: Bare) -> None:
    sleeper = bare.subscribe()
    for _ in range(120_000):
        bare.server.publish_row(ROW_0)
    assert bare.drain(sleeper, 120_000) == 120_000


def test_no_thread_of_pythons_is_started(directory: Path) -> None:
    before = threading.active_count()
    server = LinkServer(directory, DESCRIPTION, 0.15)
    assert threading.active_count() == before
    server.close()
    server.close()


def test_what_is_given_is_named_and_answered(bare: Bare) -> None:
    take_control(bare)
    bare.send({"type": "request", "id": 11, "request": {"kind": "tare"}})
    given = bare.settle()
    assert [(one.name, one.request, one.id) for one in given] == [("bare", Tare(), 11)]
    bare.server.reply(given[0], False, "not now", {"why": 1})
    reply = bare.answer()[0]
    assert 0.0 <= time.monotonic() - reply.pop("at_s") < PATIENCE_S
    assert reply == {"id": 11, "ok": False, "text": "not now", "data": {"why": 1}}
