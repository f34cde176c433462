"""The rig host's end of the link for any message: one answer, errors reported, no state left behind."""

from __future__ import annotations

import gc
import json
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.link.messages import MOST_BYTES, MOST_BYTES_WATCHER
from tests.hil.link.bare_server import Bare, hello, take_control

pytestmark = pytest.mark.real_time
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
    reply = bare.ask(b" " * MOST_BYTES)  # of permitted length: read, and empty
    assert "not understood" in reply["text"]


def test_several_frames_are_refused_as_one(bare: Bare) -> None:
    bare.socket.send_multipart([b'{"type": "acquire_control", "id": 4}', b"{}", b"{}"])
    assert "one frame" in bare.answer()[0]["text"]
    assert bare.ask(hello())["ok"]


def test_a_request_without_a_date_is_refused(bare: Bare) -> None:
    take_control(bare)
    reply = bare.ask(b'{"type": "request", "id": 6, "request": {"kind": "reset"}}')
    assert not reply["ok"] and "no date" in reply["text"]


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
    # The answer to this request shows that the message before it was handled.
    bare.send({"type": "request", "id": 77, "request": {"kind": "marker", "text": "probe"}})
    answers = 0
    while True:
        reply, _ = bare.answer()
        assert set(reply) == {"id", "ok", "text", "data", "at_s"} and isinstance(reply["text"], str)
        if reply["id"] == 77:
            break
        answers += 1
    assert answers <= 1
    if answers == 0:  # only valid messages that require no answer
        assert json.loads(message)["type"] in {
            "heartbeat",
            "take",
            "release",
            "tell",
            "bye",
            "ask",
            "hello",
        }


def test_malformed_messages_leave_nothing_behind_without_a_garbage_collector(bare: Bare) -> None:
    """The rig host runs with the garbage collector off."""
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
