"""The client against a serving process: watching, control, stop, and the loss of either end."""

from __future__ import annotations

import math
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from hil.core.requests import (
    MOST_POINTS,
    Apply,
    ConstantForce,
    EndRun,
    Float,
    Marker,
    PowerOn,
    Request,
    Reset,
    StartRun,
    Tare,
    Waveform,
)
from hil.link.client import Block, Client, Event, HostGone, LinkError, Refused
from tests.hil.link.publisher import made_row
from tests.hil.link.served import Served

pytestmark = pytest.mark.real_time

PATIENCE_S = 10.0
LIMIT_S = 0.2  # the publisher's heartbeat limit of control

HOLDER = """
import sys
from hil.link.client import Client
client = Client.connect(sys.argv[1], name="doomed")
client.take_control()
with client.keep_control():
    print("holding", flush=True)
    sys.stdin.read()
"""


def gather(client: Client, enough: Callable[[list[Block | Event]], bool]) -> list[Block | Event]:
    items: list[Block | Event] = []
    deadline = time.monotonic() + PATIENCE_S
    while not enough(items):
        assert time.monotonic() < deadline, f"not seen; the last were {items[-3:]}"
        items += client.poll()
        time.sleep(0.005)
    return items


def events(items: list[Block | Event], kind: str) -> list[Event]:
    return [item for item in items if isinstance(item, Event) and item.kind == kind]


def wait_for(client: Client, kind: str, **more: object) -> Event:
    def matching(items: list[Block | Event]) -> list[Event]:
        return [e for e in events(items, kind) if all(e.get(k) == v for k, v in more.items())]

    return matching(gather(client, lambda items: bool(matching(items))))[0]


def test_what_is_published_arrives_bit_for_bit(served: Served) -> None:
    with Client.connect(served.directory, name="watcher") as client:
        assert client.description["profile"]["name"] == "made up"
        items = gather(client, lambda got: sum(isinstance(item, Block) for item in got) >= 15)
        rows = np.concatenate([item.rows for item in items if isinstance(item, Block)])
        first = int(rows[0, 1])
        expected = np.array([made_row(first + i, 1000.0) for i in range(len(rows))])
        np.testing.assert_array_equal(rows, expected)
        assert client.lost_samples == 0
        assert events(items, "heartbeat")


def test_watch_ends_after_its_time_and_brings_samples(served: Served) -> None:
    with Client.connect(served.directory) as client:
        rows = sum(len(item.rows) for item in client.watch(0.3) if isinstance(item, Block))
        assert rows > 20


def test_one_holds_control_and_the_next_is_told_who(served: Served) -> None:
    with Client.connect(served.directory, name="first") as first:
        first.take_control()
        with first.keep_control(), Client.connect(served.directory, name="second") as second:
            with pytest.raises(Refused, match="held by 'first'"):
                second.take_control()
            assert not second.in_control
            with pytest.raises(Refused, match="'first' does"):
                second.request(Apply(behaviour=Float()))
            first.take_control()  # a second request for control is harmless
            assert first.request(Tare()) == "taken from first"
            first.release_control()
            assert not first.in_control
            second.take_control()
            assert second.request(Tare()) == "taken from second"
            with pytest.raises(Refused, match="'second' does"):
                first.request(Tare())


@pytest.mark.parametrize("request_", [Tare(), Reset(), StartRun(), EndRun()])
def test_nothing_that_acts_passes_without_control(served: Served, request_: Request) -> None:
    with Client.connect(served.directory) as client, pytest.raises(Refused, match="take it first"):
        client.request(request_)


def test_anyone_stops_and_marks(served: Served) -> None:
    with (
        Client.connect(served.directory, name="holder") as holder,
        Client.connect(served.directory, name="watcher") as watcher,
    ):
        holder.take_control()
        # Sent by a connection that never said hello: a stop needs no name.
        assert watcher.stop("a hand went in") == "taken from a client without a name"
        assert wait_for(holder, "stop")["detail"] == "a hand went in"
        watcher.request(Marker(text="there", values={"mass_kg": 5.0}))
        assert wait_for(holder, "marker")["values"] == {"mass_kg": 5.0}


def test_names_are_unique_and_free_again(served: Served) -> None:
    with Client.connect(served.directory, name="script") as first:
        with Client.connect(served.directory, name="script") as second:
            assert (first.name, second.name) == ("script", "script 2")
        with Client.connect(served.directory, name="script") as third:
            assert third.name == "script 2"


def test_a_holder_that_sleeps_is_dropped_and_one_that_beats_is_not(served: Served) -> None:
    with (
        Client.connect(served.directory, name="watcher") as watcher,
        Client.connect(served.directory, name="holder") as holder,
    ):
        holder.take_control()
        with holder.keep_control():
            time.sleep(3 * LIMIT_S)
            assert holder.request(Tare())
        wait_for(watcher, "control", holder="holder")
        wait_for(watcher, "control", holder=None)
        wait_for(holder, "control", holder=None)
        assert not holder.in_control
        with pytest.raises(Refused, match="you do not hold control"):
            holder.request(Tare())


def test_polling_alone_keeps_control(served: Served) -> None:
    with Client.connect(served.directory, name="holder") as holder:
        holder.take_control()
        for _ in holder.watch(3 * LIMIT_S):
            pass
        assert holder.request(Tare())


def test_a_killed_holder_loses_control(served: Served) -> None:
    with Client.connect(served.directory, name="watcher") as watcher:
        process = subprocess.Popen(
            [sys.executable, "-c", HOLDER, str(served.directory)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        try:
            assert process.stdout is not None and process.stdin is not None
            assert process.stdout.readline() == b"holding\n"
            wait_for(watcher, "control", holder="doomed")
        finally:
            process.kill()
            process.communicate()
        wait_for(watcher, "control", holder=None)
        watcher.take_control()


def test_leaving_gives_control_up(served: Served) -> None:
    with Client.connect(served.directory, name="watcher") as watcher:
        with Client.connect(served.directory, name="holder") as holder:
            holder.take_control()
        wait_for(watcher, "control", holder=None)
        watcher.take_control()


def test_a_dead_host_is_seen_and_said(mortal: Served) -> None:
    with Client.connect(mortal.directory) as client:
        client.take_control()
        mortal.kill()
        with pytest.raises(HostGone, match="may have ended"):
            for _ in client.watch(PATIENCE_S):
                pass
        assert not client.alive
        with pytest.raises(HostGone):
            client.request(Tare())
        with pytest.raises(HostGone):
            client.stop()
        assert client.poll() == []


def test_a_host_that_ends_says_so(mortal: Served) -> None:
    with Client.connect(mortal.directory) as client:
        mortal.terminate()
        wait_for(client, "host_ending")


def test_a_new_host_is_met_again_and_gets_nothing_old(mortal: Served) -> None:
    with Client.connect(mortal.directory, name="holder") as client:
        client.take_control()
        mortal.kill()
        with pytest.raises(HostGone):
            for _ in client.watch(PATIENCE_S):
                pass
        with pytest.raises(HostGone):
            client.request(Marker(text="old"))
        mortal.start()
        gather(client, lambda items: any(isinstance(item, Block) for item in items))
        with pytest.raises(Refused, match="you do not hold control"):
            client.request(Tare())
        client.take_control()
        client.request(Marker(text="new"))
        seen = gather(client, lambda items: bool(events(items, "marker")))
        assert [event["text"] for event in events(seen, "marker")] == ["new"]
        assert client.lost_samples == 0


def test_a_request_that_lay_too_long_is_not_obeyed(mortal: Served) -> None:
    with Client.connect(mortal.directory, name="holder") as client:
        client.take_control()
        mortal.pause()
        with pytest.raises(HostGone, match="does not answer"):
            client.request(StartRun(), timeout_s=0.1)
        time.sleep(1.2)
        mortal.resume()
        client.request(Marker(text="after"))
        seen = gather(client, lambda items: bool(events(items, "marker")))
        assert not events(seen, "start_run")


def test_old_beats_are_no_sign_of_life(mortal: Served) -> None:
    with (
        Client.connect(mortal.directory, name="watcher") as watcher,
        Client.connect(mortal.directory, name="holder") as holder,
    ):
        holder.take_control()
        mortal.pause()
        for _ in range(5):
            holder.heartbeat()
        time.sleep(2 * LIMIT_S)
        mortal.resume()
        wait_for(watcher, "control", holder=None)


def test_an_impatient_answer_is_not_taken_for_the_next(mortal: Served) -> None:
    with Client.connect(mortal.directory, name="holder") as client:
        mortal.pause()
        with pytest.raises(HostGone):
            client.request(Marker(text="one"), timeout_s=0.05)
        mortal.resume()
        with pytest.raises(Refused, match="take it first"):
            client.request(Tare())


def test_many_threads_may_ask(served: Served) -> None:
    with Client.connect(served.directory, name="holder") as client:
        answers: list[str] = []

        def ask(number: int) -> None:
            for i in range(20):
                answers.append(client.request(Marker(text=f"{number} {i}")))

        threads = [threading.Thread(target=ask, args=(n,)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(answers) == 80
        seen = gather(client, lambda items: len(events(items, "marker")) == 80)
        assert len({event["text"] for event in events(seen, "marker")}) == 80


def test_a_not_a_number_never_leaves_but_is_refused_if_it_does(served: Served) -> None:
    with Client.connect(served.directory) as client:
        client.take_control()
        force = ConstantForce.model_construct(kind="constant_force", force_N=math.nan)
        with pytest.raises(Refused, match="force_N"):
            client.request(Apply.model_construct(kind="apply", behaviour=force))


def test_the_longest_table_passes(served: Served) -> None:
    points = tuple((i * 0.1 + 1 / 3, 100.0 / 3 + i / 7) for i in range(MOST_POINTS))
    with Client.connect(served.directory) as client:
        client.take_control()
        client.request(Reset())  # from the stops of other tests
        client.request(PowerOn(load_supported=True))
        assert client.request(Apply(behaviour=Waveform(shape="table", points=points)))
    with pytest.raises(ValidationError, match="at most 2000"):
        Waveform(shape="table", points=(*points, (1e6, 0.0)))


def test_notices_reach_everybody(served: Served) -> None:
    with (
        Client.connect(served.directory, name="recorder") as recorder,
        Client.connect(served.directory) as watcher,
    ):
        recorder.tell("kept", "kept", run="0007-trip", samples=3)
        event = wait_for(watcher, "kept")
        assert (event["run"], event["from"]) == ("0007-trip", "recorder")
        assert event["values"] == {"samples": 3.0}


def test_a_closed_client_says_so(served: Served) -> None:
    client = Client.connect(served.directory)
    client.close()
    client.close()
    assert client.poll() == []
    with pytest.raises(LinkError, match="closed"):
        client.request(Tare())
    with pytest.raises(LinkError, match="closed"):
        list(client.watch(0.1))


def test_nobody_there_is_said_in_time(directory: Path) -> None:
    with pytest.raises(HostGone, match="is it running"):
        Client.connect(directory, timeout_s=0.2)
    with pytest.raises(LinkError, match="cannot be opened"):
        Client.connect(directory / "absent")


def test_a_forgotten_client_does_not_hang_its_script(served: Served) -> None:
    code = (
        "import sys\nfrom hil.link.client import Client\n"
        "c = Client.connect(sys.argv[1])\nc.take_control()\n"
        "c = Client.connect(sys.argv[1])\nraise SystemExit(3)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(served.directory)], timeout=PATIENCE_S)
    assert done.returncode == 3
