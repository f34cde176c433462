"""A small campaign of hostile clients runs against the link alone, and its judge notices
violations."""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile import below, talk
from hostile_messages import MAKERS, must_be_refused

from hil.link import Client, LinkServer
from hil.link.directory import REQUESTS, SAMPLES, endpoint
from hil.link.request_gate import RequestGate, Verdict


@pytest.fixture
def served() -> Iterator[Path]:
    """Link whose bench accepts everything, with a client in control."""
    with tempfile.TemporaryDirectory(prefix="hk-") as folder:
        directory = Path(folder)
        server = LinkServer(directory, {"rate_hz": 1000.0}, 60.0)
        ending = threading.Event()

        def serve() -> None:
            while not ending.is_set():
                for incoming in server.poll(time.monotonic()):
                    server.reply(incoming, True, "taken")
                server.publish_event({"kind": "heartbeat"})
                time.sleep(0.0005)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            with Client.connect(directory, name="holder") as holder:
                holder.take_control()
                yield directory
                assert server.holder == "holder"
        finally:
            ending.set()
            thread.join()
            server.close()


@pytest.mark.parametrize("kind", list(MAKERS))
def test_some_hundred_messages_of_each_kind(served: Path, kind: str) -> None:
    count = 30 if kind == "oversized" else 200
    found = talk(kind, endpoint(served, REQUESTS), None, count, 3)
    assert found["wrong"] == [] and found["sent"] > count // 2


def test_what_is_no_message_at_all(served: Path) -> None:
    found = below([str(served / REQUESTS), str(served / SAMPLES)], 150, 3)
    assert found["sent"] >= 150


def test_a_gate_that_lets_everything_pass_is_found(
    served: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RequestGate, "_request", lambda *_: Verdict(True))
    found = talk("replayed", endpoint(served, REQUESTS), None, 100, 3)
    assert any("power_on" in text or "apply" in text for text in found["wrong"])


def test_the_judge_knows_what_anybody_may() -> None:
    assert not must_be_refused(b'{"type": "request", "request": {"kind": "stop"}}', True)
    assert must_be_refused(b'{"type": "request", "request": {"kind": "reset"}}', True)
    assert must_be_refused(b'{"type": "publish", "kind": "recorded"}', False)
    assert must_be_refused(b"[[[", True)
