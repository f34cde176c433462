"""The rig host's end of the link: a stop comes first, and releasing control is a stop."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.core.limits import Cause
from hil.core.requests import Marker, Stop
from hil.link.client import Client
from hil.link.request_gate import Phase
from hil.link.server import Incoming
from tests.hil.link.bare_server import PATIENCE_S, Bare, hello, take_control

pytestmark = pytest.mark.real_time


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
    time.sleep(0.05)  # until all messages wait at the server
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
    time.sleep(0.05)  # until all messages wait at the server
    given = list(bare.server.poll_stop(time.monotonic()))
    assert [incoming.id for incoming in given] == [8]
    bare.server.reply(given[0], True, "stopped")
    assert list(bare.server.poll_stop(time.monotonic())) == []
    answers = {reply["id"]: reply for reply in (bare.answer()[0] for _ in range(3))}
    assert answers[8]["ok"]
    assert all("a stop overtook" in answers[number]["text"] for number in (7, 9))


def test_a_stop_after_the_look_before_a_command_is_had_before_the_next_one(bare: Bare) -> None:
    """One look at the connections in each cycle; a cycle without it, its drive lost, looks later."""
    take_control(bare)
    server = bare.server
    looked_s = time.monotonic()
    for number, first in ((7, server.poll_stop), (8, server.poll)):
        assert list(server.poll_stop(looked_s)) == []
        bare.send({"type": "request", "id": number, "request": {"kind": "stop"}})
        time.sleep(0.05)  # until it waits at the server
        assert list(server.poll(looked_s)) == []
        given = list(first(time.monotonic()))
        assert [incoming.id for incoming in given] == [number]
        server.reply(given[0], True, "stopped")


def test_what_was_sent_before_a_stop_and_comes_after_it_is_refused(bare: Bare) -> None:
    take_control(bare)
    before = time.monotonic()
    bare.send({"type": "request", "id": 5, "request": {"kind": "stop"}})
    assert bare.answer()[0]["ok"]
    reset = {"type": "request", "id": 6, "request": {"kind": "reset"}}
    assert "a stop overtook" in bare.ask({**reset, "sent_s": before})["text"]
    assert bare.ask(reset)["ok"]


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


def test_a_holder_that_is_cut_off_loses_control_and_power(bare: Bare) -> None:
    take_control(bare)
    bare.socket.send_multipart([b""] * 1000)
    given = polled(bare, powered=True)
    assert [one.cause for one in given] == [Cause.CONTROL_RELEASED]
    assert bare.server.holder is None


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
    until(lambda: kinds() == ["marker"])  # not answered yet
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
    """On a network ZeroMQ's thread is real-time, below the cycle; the local link has no such thread."""
    done = subprocess.run(
        [sys.executable, "-c", REAL_TIME, str(directory), link],
        capture_output=True,
        text=True,
        timeout=30,
    )
    if done.stdout.strip() == "not permitted":
        pytest.skip("real-time scheduling is not permitted here")
    assert done.returncode == 0 and done.stdout.strip() == thread, done.stderr


def test_after_a_pause_since_the_look_what_has_come_is_heard(bare: Bare) -> None:
    take_control(bare)
    assert list(bare.server.poll_stop(time.monotonic())) == []
    bare.send({"type": "request", "id": 7, "request": {"kind": "stop"}})
    time.sleep(0.05)  # the pause
    assert [incoming.id for incoming in bare.server.poll(time.monotonic())] == [7]
