"""The rig host's end in this process, spoken to by a bare socket: nothing a client sends may
raise, block, or go unanswered."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zmq
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.limits import Cause
from hil.core.requests import Marker, Stop, Tare
from hil.core.samples import COLUMNS, ROW, Sample
from hil.link.budgets import Budgets
from hil.link.client import Client
from hil.link.directory import REQUESTS, SAMPLES, endpoint
from hil.link.errors import LinkError
from hil.link.messages import HEAD, MOST_BYTES, MOST_BYTES_WATCHER, SCHEMA_VERSION
from hil.link.request_gate import Phase
from hil.link.server import Incoming, LinkServer

pytestmark = pytest.mark.real_time

PATIENCE_S = 10.0
ROW_0 = Sample._make(range(len(COLUMNS)))
DATED = ("acquire_control", "request", "heartbeat")
DESCRIPTION: dict[str, Any] = {"rate_hz": 1000.0, "profile": {"name": "made up"}}


class Bare:
    """A server and a socket that says to it whatever a test likes."""

    def __init__(self, directory: Path) -> None:
        # So many mistakes as tests make are more than a client may make.
        budgets = Budgets(wrong_per_s=1e6, wrong_at_once=1e6)
        self.server = LinkServer(directory, DESCRIPTION, 0.15, budgets=budgets)
        self.context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self.socket = self.open()

    def open(self) -> zmq.Socket[bytes]:
        socket = self.context.socket(zmq.DEALER)
        socket.setsockopt(zmq.LINGER, 0)
        socket.connect(endpoint(self.server.directory, REQUESTS))
        return socket

    def subscribe(self) -> zmq.Socket[bytes]:
        socket = self.context.socket(zmq.SUB)
        socket.setsockopt(zmq.RCVHWM, 0)
        socket.subscribe(b"")
        socket.connect(endpoint(self.server.directory, SAMPLES))
        while not socket.poll(10):
            assert list(self.server.poll(time.monotonic())) == []
            self.server.publish_event({"kind": "heartbeat"})
        while socket.poll(20):
            socket.recv()
        return socket

    def send(self, message: object, socket: zmq.Socket[bytes] | None = None) -> None:
        """Send a message; one that needs a date and has none is dated now."""
        if isinstance(message, dict) and message.get("type") in DATED:
            message = {"sent_s": time.monotonic(), **message}
        data = message if isinstance(message, bytes) else json.dumps(message).encode()
        (socket or self.socket).send(data)

    def answer(self, socket: zmq.Socket[bytes] | None = None) -> tuple[dict[str, Any], list[Any]]:
        """The next answer, and what the cycle was given meanwhile."""
        socket = socket or self.socket
        given: list[Incoming] = []
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for incoming in self.server.poll(time.monotonic()):
                self.server.reply(incoming, True, "done")
                given.append(incoming)
            if socket.poll(1):
                return json.loads(socket.recv()), given
        raise AssertionError("no answer")

    def ask(self, message: object, socket: zmq.Socket[bytes] | None = None) -> dict[str, Any]:
        self.send(message, socket)
        return self.answer(socket)[0]

    def drain(self, subscriber: zmq.Socket[bytes], most: int) -> int:
        """Number of rows that still come, until they are as many as expected."""
        rows = 0
        deadline = time.monotonic() + PATIENCE_S
        while rows < most and time.monotonic() < deadline:
            assert list(self.server.poll(time.monotonic())) == []
            while subscriber.poll(0):
                rows += (len(subscriber.recv()) - HEAD) // ROW.size
        return rows

    def settle(self) -> list[Incoming]:
        """Let everything said so far be taken; what the cycle was given."""
        given: list[Incoming] = []
        quiet = 0
        while quiet < 20:
            taken = list(self.server.poll(time.monotonic()))
            given += taken
            quiet = 0 if taken else quiet + 1
            time.sleep(0.001)
        return given

    def close(self) -> None:
        self.context.destroy(linger=0)
        self.server.close()


@pytest.fixture
def bare(directory: Path) -> Iterator[Bare]:
    both = Bare(directory)
    yield both
    both.close()


def hello(name: str = "bare") -> dict[str, Any]:
    return {"type": "hello", "id": 1, "name": name, "schema_version": SCHEMA_VERSION}


def take_control(bare: Bare) -> None:
    assert bare.ask(hello())["ok"]
    assert bare.ask({"type": "acquire_control", "id": 2})["ok"]


MALFORMED: list[tuple[object, str]] = [
    (b"", "not understood"),
    (b"\x00\xff\xfe", "not understood"),
    (b'{"type": "acquire_control"', "not understood"),
    (b"[" * 5000, "not understood"),
    (b"[1, 2]", "not understood"),
    (b"null", "not understood"),
    ({"type": "fly"}, "not understood"),
    ({"id": 4}, "type"),
    ({"type": "acquire_control", "id": "4"}, "id"),
    ({"type": "acquire_control", "id": -4}, "id"),
    ({"type": "acquire_control", "id": 4, "more": 1}, "more"),
    ({"type": "hello", "id": 4, "name": "", "schema_version": 1}, "name"),
    ({"type": "hello", "id": 4, "name": "a\nb", "schema_version": 1}, "name"),
    ({"type": "hello", "id": 4, "name": "old", "schema_version": 0}, "different versions"),
    ({"type": "request", "id": 4}, "request"),
    ({"type": "request", "id": 4, "request": {"kind": "dance"}}, "request"),
    ({"type": "request", "id": 4, "request": {"kind": "power_on"}}, "load_supported"),
    ({"type": "request", "id": 4, "request": {"kind": "power_on", "load_supported": 1}}, "boolean"),
    ({"type": "publish", "id": 4, "kind": "stop"}, "kind"),
    ({"type": "publish", "id": 4, "kind": "notice", "text": "x" * 501}, "text"),
]


@pytest.mark.parametrize(("message", "word"), MALFORMED)
def test_each_malformed_message_gets_one_clear_answer(
    bare: Bare, message: object, word: str
) -> None:
    bare.send(message)
    reply, given = bare.answer()
    assert not reply["ok"] and word in reply["text"] and len(reply["text"]) < 600
    assert not given
    expected = message.get("id") if isinstance(message, dict) else 0
    assert reply["id"] == (expected if isinstance(expected, int) and expected > 0 else 0)
    assert not bare.socket.poll(20)
    assert bare.ask(hello())["ok"]


@pytest.mark.parametrize(
    "force", ["NaN", "Infinity", "-Infinity", "1e999", '"12"', "true", "null", "[1]"]
)
def test_a_force_that_is_no_finite_number_is_refused(bare: Bare, force: str) -> None:
    take_control(bare)
    text = (
        '{"type": "request", "id": 9, "request": {"kind": "apply", "behaviour": '
        f'{{"kind": "constant_force", "force_N": {force}}}}}}}'
    )
    bare.send(text.encode())
    reply, given = bare.answer()
    assert not reply["ok"] and "force_N" in reply["text"]
    assert reply["id"] == 9 and not given


def test_a_long_message_is_refused_by_its_length(bare: Bare) -> None:
    reply = bare.ask(b" " * (MOST_BYTES_WATCHER + 1))
    assert "without control" in reply["text"]
    take_control(bare)
    reply = bare.ask(b" " * (MOST_BYTES + 1))
    assert str(MOST_BYTES) in reply["text"]
    reply = bare.ask(b" " * MOST_BYTES)  # read, and found to be nothing
    assert "not understood" in reply["text"]


def test_several_frames_are_refused_as_one(bare: Bare) -> None:
    bare.socket.send_multipart([b'{"type": "acquire_control", "id": 4}', b"{}", b"{}"])
    assert "one frame" in bare.answer()[0]["text"]
    assert bare.ask(hello())["ok"]


def test_an_enormous_message_costs_its_sender_the_link_and_nobody_else(bare: Bare) -> None:
    other = bare.open()
    assert bare.ask(hello("other"), other)["ok"]
    bare.send(b" " * 20_000_000)
    bare.settle()
    assert bare.ask({"type": "acquire_control", "id": 3}, other)["ok"]


def test_strangers_are_sent_to_say_hello_but_may_stop(bare: Bare) -> None:
    reply = bare.ask({"type": "acquire_control", "id": 5})
    assert not reply["ok"] and "hello" in reply["text"]
    bare.send({"type": "request", "id": 6, "request": {"kind": "stop", "cause": "a stranger"}})
    reply, given = bare.answer()
    assert reply["ok"] and isinstance(given[0].request, Stop)


def test_a_stop_comes_first_and_what_came_with_it_is_refused(bare: Bare) -> None:
    take_control(bare)
    reset = {"kind": "reset"}
    power_on = {"kind": "power_on", "load_supported": True}
    for number, request in enumerate((reset, power_on, {"kind": "stop"}, reset), 7):
        bare.send({"type": "request", "id": number, "request": request})
    time.sleep(0.05)  # until all wait at the server
    given = list(bare.server.poll(time.monotonic()))
    assert [incoming.request.kind for incoming in given] == ["stop"]
    bare.server.reply(given[0], True, "stopped")
    answers = {reply["id"]: reply for reply in (bare.answer()[0] for _ in range(4))}
    assert answers[9]["ok"]
    assert all("a stop overtook" in answers[number]["text"] for number in (7, 8, 10))


def test_a_stop_is_had_before_a_command_and_the_rest_waits_and_is_refused(bare: Bare) -> None:
    take_control(bare)
    assert list(bare.server.poll_stop(time.monotonic())) == []
    power_on = {"kind": "power_on", "load_supported": True}
    for number, request in enumerate((power_on, {"kind": "stop"}, {"kind": "reset"}), 7):
        bare.send({"type": "request", "id": number, "request": request})
    time.sleep(0.05)  # until all wait at the server
    given = list(bare.server.poll_stop(time.monotonic()))
    assert [incoming.id for incoming in given] == [8]
    bare.server.reply(given[0], True, "stopped")
    assert list(bare.server.poll_stop(time.monotonic())) == []
    answers = {reply["id"]: reply for reply in (bare.answer()[0] for _ in range(3))}
    assert answers[8]["ok"]
    assert all("a stop overtook" in answers[number]["text"] for number in (7, 9))


def test_what_was_sent_before_a_stop_and_comes_after_it_is_refused(bare: Bare) -> None:
    take_control(bare)
    before = time.monotonic()
    bare.send({"type": "request", "id": 5, "request": {"kind": "stop"}})
    assert bare.answer()[0]["ok"]
    reset = {"type": "request", "id": 6, "request": {"kind": "reset"}}
    assert "a stop overtook" in bare.ask({**reset, "sent_s": before})["text"]
    assert bare.ask(reset)["ok"]


def test_a_request_without_a_date_is_refused(bare: Bare) -> None:
    take_control(bare)
    reply = bare.ask(b'{"type": "request", "id": 6, "request": {"kind": "reset"}}')
    assert not reply["ok"] and "no date" in reply["text"]


def polled(bare: Bare, powered: bool) -> list[Incoming]:
    deadline = time.monotonic() + PATIENCE_S
    given: list[Incoming] = []
    while not given and time.monotonic() < deadline:
        given += bare.server.poll(time.monotonic(), lambda: powered)
    return given


@pytest.mark.parametrize("kind", ["release_control", "disconnect"])
def test_control_given_up_with_power_on_is_a_stop(bare: Bare, kind: str) -> None:
    take_control(bare)
    bare.send({"type": kind, "id": 3})
    (stop,) = polled(bare, powered=True)
    assert stop.cause is Cause.CONTROL_RELEASED and "'bare' gave control up" in stop.request.cause
    assert bare.server.holder is None and bare.server.gate.phase is Phase.STOPPED


def test_a_hand_over_in_one_batch_is_a_stop_and_passes_nothing_on(bare: Bare) -> None:
    other = bare.open()
    assert bare.ask(hello("other"), other)["ok"]
    take_control(bare)
    bare.send({"type": "release_control", "id": 3})
    time.sleep(0.02)
    bare.send({"type": "acquire_control", "id": 4}, other)
    time.sleep(0.05)
    (stop,) = polled(bare, powered=True)
    assert stop.cause is Cause.CONTROL_RELEASED
    reply = bare.answer(other)[0]
    assert not reply["ok"] and "a stop overtook" in reply["text"]


# ---------------------------------------------------------------------- budgets


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
    # Its socket connects anew by itself: a stranger, who may stop.
    bare.send({"type": "request", "id": 8, "request": {"kind": "stop"}})
    while bare.answer()[0]["text"] != "done":
        pass


def test_a_holder_that_is_cut_off_loses_control_and_power(bare: Bare) -> None:
    take_control(bare)
    bare.socket.send_multipart([b""] * 1000)
    given = polled(bare, powered=True)
    assert [one.cause for one in given] == [Cause.CONTROL_RELEASED]
    assert bare.server.holder is None


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
        assert list(bare.server.poll(time.monotonic()))  # each turn obeys at least one
    assert bare.answer(other)[0]["text"] == "you held none"


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


def test_the_errors_of_a_message_are_bounded(bare: Bare) -> None:
    many = {f"k{i}": "x" for i in range(1000)}
    reply = bare.ask({"type": "publish", "id": 4, "kind": "notice", "values": many})
    assert not reply["ok"] and "keys" in reply["text"]
    take_control(bare)
    points = [["a", "b"]] * 1900
    wave = {"kind": "waveform", "shape": "table", "points": points}
    apply = {"type": "request", "id": 4, "request": {"kind": "apply", "behaviour": wave}}
    reply = bare.ask(apply)
    assert not reply["ok"] and "points.0.0" in reply["text"] and "and 1 more" in reply["text"]


def test_control_passes_only_through_release_or_drop(bare: Bare) -> None:
    other = bare.open()
    take_control(bare)
    assert bare.server.holder == "bare"
    assert bare.ask(hello("other"), other)["ok"]
    refused = bare.ask({"type": "acquire_control", "id": 3}, other)
    assert not refused["ok"] and "'bare'" in refused["text"]
    assert refused["data"]["holder"] == "bare"
    # Hello again, or a heartbeat by somebody else, changes nothing.
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
    # A clock that runs ahead buys no more life than being heard now.
    bare.send({"type": "heartbeat", "sent_s": old + 1e6})
    bare.settle()
    assert bare.server.holder_late(time.monotonic() + 0.2)


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


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=10,
)
WORDS = st.sampled_from(["hello", "take", "release", "ask", "tell", "bye", "heartbeat", "", "x"])
KINDS = st.sampled_from(
    ["apply", "energise", "stop", "tare", "marker", "start_run", "reset", "power_off", "y"]
)
NEARLY = st.fixed_dictionaries(
    {"type": WORDS},
    optional={
        "id": st.integers(-2, 9) | JSON,
        "name": st.text(max_size=70) | JSON,
        "schema_version": st.integers(0, 2) | JSON,
        "request": st.fixed_dictionaries(
            {"kind": KINDS},
            optional={"behaviour": JSON, "cause": JSON, "text": JSON, "values": JSON},
        )
        | JSON,
        "kind": st.sampled_from(["notice", "kept"]) | JSON,
        "text": st.text(max_size=600) | JSON,
        "sent_s": st.floats() | JSON,
    },
)


@pytest.fixture(scope="module")
def long_lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bare]:
    directory = tmp_path_factory.mktemp("l", numbered=True)
    directory.chmod(0o700)
    both = Bare(directory)
    yield both
    both.close()


@settings(max_examples=150, deadline=None)
@given(
    message=st.binary(max_size=200)
    | NEARLY.map(lambda m: json.dumps(m).encode())
    | JSON.map(lambda m: json.dumps(m).encode())
)
def test_whatever_is_said_is_answered_once_and_nothing_breaks(
    long_lived: Bare, message: bytes
) -> None:
    bare = long_lived
    bare.send(message)
    # The answer to this one tells that the message before has been dealt with.
    bare.send({"type": "request", "id": 77, "request": {"kind": "marker", "text": "probe"}})
    answers = 0
    while True:
        reply, _ = bare.answer()
        assert set(reply) == {"id", "ok", "text", "data", "at_s"} and isinstance(reply["text"], str)
        if reply["id"] == 77:
            break
        answers += 1
    assert answers <= 1
    if answers == 0:  # only what is valid and asked for no answer
        assert json.loads(message)["type"] in {
            "heartbeat",
            "take",
            "release",
            "tell",
            "bye",
            "ask",
            "hello",
        }


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
    for _ in range(300):  # 300 s of blocks: more than is kept for anybody
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


def test_a_stop_does_not_wait_behind_another_request(bare: Bare) -> None:
    clients: list[Client] = []
    stopped: list[str] = []
    given: list[Incoming] = []

    def until(done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < deadline
            given.extend(bare.server.poll(time.monotonic()))
            bare.server.publish_event({"kind": "heartbeat"})
            time.sleep(0.002)

    def kinds() -> list[str]:
        return [incoming.request.kind for incoming in given]

    def start(work: Callable[[], object]) -> threading.Thread:
        thread = threading.Thread(target=work, daemon=True)
        thread.start()
        return thread

    start(lambda: clients.append(Client.connect(bare.server.directory)))
    until(lambda: bool(clients))
    client = clients[0]
    asking = start(lambda: stopped.append(client.request(Marker(text="slow"), PATIENCE_S)))
    until(lambda: kinds() == ["marker"])  # and it gets no answer yet
    stopping = start(lambda: stopped.append(client.stop("now")))
    until(lambda: "stop" in kinds())
    assert stopped == []
    bare.server.reply(given[0], True, "marked")
    until(lambda: kinds().count("stop") == 2)
    bare.server.reply(given[-1], True, "stopped")
    asking.join(PATIENCE_S)
    stopping.join(PATIENCE_S)
    assert stopped == ["marked", "stopped"]
    client.close()


# ---------------------------------------------------------------------- the directory


def refused(directory: Path, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        LinkServer(directory, DESCRIPTION, 0.15)


def test_the_directory_is_made_for_one_user(directory: Path) -> None:
    server = LinkServer(directory / "a" / "b", DESCRIPTION, 0.15)
    assert (directory / "a" / "b").stat().st_mode & 0o777 == 0o700
    server.close()
    assert sorted(path.name for path in (directory / "a" / "b").iterdir()) == ["host.lock"]


def test_a_directory_that_is_not_private_is_refused(directory: Path) -> None:
    directory.chmod(0o750)
    refused(directory, "open to other users.*chmod 700")
    directory.chmod(0o701)
    refused(directory, "open to other users")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a directory away")
def test_a_directory_of_another_user_is_refused(directory: Path) -> None:
    theirs = directory / "theirs"
    theirs.mkdir(mode=0o700)
    os.chown(theirs, 65534, 65534)
    refused(theirs, "belongs to another user")


def test_no_directory_at_all_is_refused(directory: Path) -> None:
    (directory / "file").touch()
    refused(directory / "file", "is not a directory")
    (directory / "link").symlink_to(directory)
    refused(directory / "link", "is not a directory")
    refused(directory / ("x" * 100), "too long a path")
    refused(Path("/proc/nothing"), "cannot be made")


def test_one_host_for_a_directory(directory: Path) -> None:
    server = LinkServer(directory, DESCRIPTION, 0.15)
    refused(directory, "another rig host")
    server.close()
    LinkServer(directory, DESCRIPTION, 0.15).close()


def test_sockets_left_by_a_killed_host_are_no_obstacle(directory: Path) -> None:
    (directory / SAMPLES).touch()
    (directory / REQUESTS).touch()
    LinkServer(directory, DESCRIPTION, 0.15).close()


# ---------------------------------------------------------------------- the process around it

REAL_TIME = """
import os, sys
from pathlib import Path
from hil.link.keys import ServerKeys, make_client_keys, make_server_keys
from hil.link.server import LinkServer
try:
    os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(10))
except PermissionError:
    print("not permitted")
    sys.exit()
if sys.argv[2] == "network":
    make_server_keys(Path(sys.argv[1]) / "keys")
    make_client_keys(Path(sys.argv[1]) / "client", Path(sys.argv[1]) / "keys", "someone")
    keys = ServerKeys.load(Path(sys.argv[1]) / "keys")
    server = LinkServer(sys.argv[1], {}, 0.15, tcp="127.0.0.1:0", keys=keys)
else:
    server = LinkServer(sys.argv[1], {}, 0.15)
for task in Path("/proc/self/task").iterdir():
    if (task / "comm").read_text().strip() == "ZMQbg/IO/0":
        policy = os.sched_getscheduler(int(task.name)) == os.SCHED_FIFO
        print(policy, os.sched_getparam(int(task.name)).sched_priority)
server.close()
"""


@pytest.mark.parametrize(("link", "thread"), [("network", "True 1"), ("local", "")])
def test_a_real_time_cycle_hears_a_stop_beside_busy_programs(
    directory: Path, link: str, thread: str
) -> None:
    """ZeroMQ's own thread runs in real time too, below the cycle; locally there is none."""
    done = subprocess.run(
        [sys.executable, "-c", REAL_TIME, str(directory), link],
        capture_output=True,
        text=True,
        timeout=30,
    )
    if done.stdout.strip() == "not permitted":
        pytest.skip("real-time scheduling is not permitted here")
    assert done.returncode == 0 and done.stdout.strip() == thread, done.stderr


def test_malformed_messages_leave_nothing_behind_without_a_garbage_collector(bare: Bare) -> None:
    """The rig host runs with the collector off."""
    bad = [
        b"{",
        b"[1]",
        json.dumps({"type": "request", "id": 3, "request": {"kind": "x"}}).encode(),
    ]

    def flood(count: int) -> None:
        for i in range(count):
            bare.send(bad[i % len(bad)])
            bare.answer()

    flood(30)
    gc.collect()
    gc.disable()
    try:
        flood(30)
        before = len(gc.get_objects())
        flood(300)
        assert len(gc.get_objects()) - before < 50
        assert gc.collect() < 50
    finally:
        gc.enable()
