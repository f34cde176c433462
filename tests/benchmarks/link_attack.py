"""Measure how much longer the link takes in a cycle while clients attack it.

The rig host's end of the link alone runs in a process prepared as the rig host is: each millisecond
it publishes a row and polls, and a holder of control sends 25 heartbeats a second from a process of
its own. The attack comes at full speed from another process, in every other second, so attacked and
quiet cycles meet the same background load in one run. Measured in each cycle:

- *late*: from when it was due to the wake-up, which a cycle that took too long delays;
- *link*: the time in `poll` and the answers.

`--check` holds p99.9 of the lateness, and p99 of the time of the link, to 0.1 ms above those
without attack. The table also shows how often the holder was found late, and the longest time that
a third client's stop took to arrive. `--seconds` is for each attack; the last one, all of them at
once, lasts a minute.
"""

from __future__ import annotations

import contextlib
import json
import math
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable
from multiprocessing.synchronize import Event as Flag
from pathlib import Path
from typing import Any

import numpy as np
import zmq
from table import Benchmark

from hil.core.requests import Stop
from hil.core.samples import NO_SAMPLE
from hil.host.realtime import own_processor, prepare_realtime, sleep_until
from hil.link.client import Client
from hil.link.directory import REQUESTS, endpoint
from hil.link.messages import SCHEMA_VERSION
from hil.link.server import LinkServer

PERIOD_S = 0.001
PRIORITY = 60
BEAT_S = 0.04
STOP_EVERY_S = 0.05
START_S = 90.0  # of a process, on a busy computer
SECONDS, ALL_SECONDS = 8.0, 60.0  # of each attack, and of all at once; half of it without
TURN_S = 1.0  # attacked, and not, in turn
SETTLE_S = 0.2  # at the beginning of each turn, not counted: earlier messages still arrive
MORE_MS = 0.1
ALL = "all at once"
THIRD = "third"
# Lateness and time in the link in s, by turn (attacked or not).
Cycles = dict[bool, tuple[list[float], list[float]]]
HELLO = {"type": "hello", "id": 1, "name": "attacker", "schema_version": SCHEMA_VERSION}
WRONG_13_KB = json.dumps(
    {"type": "publish", "kind": "notice", "values": {f"k{i}": "x" for i in range(1000)}}
).encode()
FEW_KEYS = json.dumps(
    {"type": "publish", "kind": "notice", "values": {f"k{i}": "x" for i in range(90)}}
).encode()


def _many_frames(socket: zmq.Socket[bytes]) -> None:
    socket.send_multipart([b""] * 300_000)


def _sender(data: bytes) -> Callable[[zmq.Socket[bytes]], None]:
    return lambda socket: socket.send(data)


ATTACKS: dict[str, tuple[Callable[[zmq.Socket[bytes]], None], float]] = {
    "300 000 empty frames": (_many_frames, 0.5),
    "wrong publishes, 13 kB": (_sender(WRONG_13_KB), 0.0),
    "90 wrong values": (_sender(FEW_KEYS), 0.0),
    "messages of 1 MB": (_sender(b" " * 1_000_000), 0.001),
    "messages of 250 kB": (_sender(b" " * 250_000), 0.0),
    "hellos": (_sender(json.dumps(HELLO).encode()), 0.0),
    "stops": (_sender(b'{"type": "request", "id": 1, "request": {"kind": "stop"}}'), 0.0),
    "empty brackets": (_sender(b"[" * 16_000), 0.0),
}


def attacking(now_s: float) -> bool:
    """Return whether it is the attackers' turn; all processes have this clock."""
    return int(now_s / TURN_S) % 2 == 1


def turn_of(due_s: float) -> bool | None:
    """Return whether a cycle is attacked; None just after a change."""
    return None if due_s % TURN_S < SETTLE_S else attacking(due_s)


def attack(
    directory: str, name: str, anew: bool, begin: Flag, ending: Flag, by_turns: bool = False
) -> None:
    """Send without end, or in turns (``by_turns``).

    ``anew``: over a new connection every 50 ms, so never cut off for long.
    """
    with contextlib.suppress(OSError, AttributeError):  # no more urgent than any other program
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    send, pause_s = ATTACKS[name]
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket: zmq.Socket[bytes] | None = None
    fresh_s = 0.0
    begin.wait()
    while not ending.is_set():
        if by_turns and not attacking(time.monotonic()):
            time.sleep(0.01)
            continue
        if socket is None or (anew and time.monotonic() - fresh_s > 0.05):
            if socket is not None:
                socket.close(0)
            socket = context.socket(zmq.DEALER)
            socket.setsockopt(zmq.LINGER, 0)
            socket.setsockopt(zmq.SNDTIMEO, 100)
            socket.setsockopt(zmq.SNDHWM, 50)  # queued messages still arrive when the turn is over
            socket.connect(endpoint(Path(directory), REQUESTS))
            fresh_s = time.monotonic()
        with contextlib.suppress(zmq.Again):
            send(socket)
            while socket.poll(0):
                socket.recv()
        if pause_s:
            time.sleep(pause_s)
    context.destroy(linger=0)


def hold(directory: str, ending: Flag) -> None:
    """Hold control as a dashboard does, and send dated stops as a third client would."""
    with contextlib.suppress(OSError, AttributeError):  # at the dashboard's priority
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    with (
        Client.connect(directory, name="holder") as holder,
        Client.connect(directory, name=THIRD) as third,
    ):
        next_stop_s = 0.0
        while not ending.is_set():
            if not holder.in_control:
                with contextlib.suppress(Exception):
                    holder.take_control()
            holder.poll()
            third.poll()
            third.answers()
            if time.monotonic() >= next_stop_s:
                next_stop_s = time.monotonic() + STOP_EVERY_S
                third.post_stop(THIRD)
            time.sleep(0.01)


def serve(directory: str, seconds: float, ready: Flag, begin: Flag, result: Any) -> None:
    """The measured loop."""
    prepare_realtime(PRIORITY, own_processor())
    server = LinkServer(directory, {"rate_hz": 1 / PERIOD_S}, 0.15)
    ready.set()
    row = NO_SAMPLE
    spent: Cycles = {True: ([], []), False: ([], [])}
    stops: list[float] = []
    late = 0
    began = time.monotonic()
    while server.holder is None or not stops:  # until both clients are there
        server.publish_row(row)
        for incoming in server.poll(time.monotonic()):
            stops.append(0.0)
            server.reply(incoming, True, "done")
        if time.monotonic() - began > START_S:
            raise TimeoutError("no holder came")
        time.sleep(PERIOD_S)
    stops.clear()
    begin.set()
    due = time.monotonic()
    end = due + seconds
    while due < end:
        due += PERIOD_S
        if due < time.monotonic() - PERIOD_S:  # whole periods cannot be caught up
            due += PERIOD_S * int((time.monotonic() - due) / PERIOD_S)
        sleep_until(due)
        woke = time.monotonic()
        server.publish_row(row)
        for incoming in server.poll(woke):
            if isinstance(incoming.request, Stop) and incoming.request.cause == THIRD:
                stops.append(time.monotonic() - incoming.request.sent_s)
            server.reply(incoming, True, "done")
        done = time.monotonic()
        turn = turn_of(due)
        if turn is not None:
            latenesses, links = spent[turn]
            latenesses.append(woke - due)
            links.append(done - woke)
        if server.holder_late(time.monotonic()):
            late += 1
            server.drop_holder()
    result.put((spent, stops, late))
    time.sleep(0.1)
    server.close()


def measure(seconds: float, names: list[str], anew: bool) -> tuple[Cycles, list[float], int]:
    """Return the cycles attacked and not, the delays of stops, how often the holder was late."""
    with tempfile.TemporaryDirectory(prefix="hk-") as directory:
        context = multiprocessing.get_context("spawn")
        ending, ready, begin = context.Event(), context.Event(), context.Event()
        result = context.Queue()
        host = context.Process(target=serve, args=(directory, seconds, ready, begin, result))
        others = [context.Process(target=hold, args=(directory, ending))]
        for name in names:
            args = (directory, name, anew, begin, ending, True)
            others.append(context.Process(target=attack, args=args))
        host.start()
        if not ready.wait(START_S):
            host.kill()
            raise SystemExit(f"the serving process does not start within {START_S:g} s")
        for process in others:
            process.start()
        try:
            found: tuple[Cycles, list[float], int] = result.get(timeout=seconds + 2 * START_S)
            return found
        finally:
            ending.set()
            for process in (*others, host):
                process.join(10)
                if process.is_alive():
                    process.kill()


def main() -> int:
    bench = Benchmark("Lateness of a cycle, and its time in the link, under attack", __doc__)
    bench.parser.add_argument("--only", help="the attack with this in its name")
    options = bench.parse()
    every: Cycles = {True: ([], []), False: ([], [])}
    for name in (*ATTACKS, ALL):
        if options.only and options.only not in name:
            continue
        names = [name] if name in ATTACKS else list(ATTACKS)
        seconds = (options.seconds or SECONDS) if name in ATTACKS else ALL_SECONDS
        for anew in (False, True):
            title = name + (", anew each 50 ms" if anew else "")
            spent, stops, late = measure(seconds, names, anew)
            for turn, kept in every.items():
                for all_of, some in zip(kept, spent[turn], strict=True):
                    all_of += some
            if name == ALL:
                add_rows(bench, title, spent)
            else:
                more = percentile(spent[True][1], 99) - percentile(spent[False][1], 99)
                name_of = f"{title}: link p99 above none"
                bench.figure(name_of, 1e3 * more, unit="ms", most=MORE_MS)
            worst = 1e3 * max(stops) if stops else math.nan
            bench.note(f"{title}: holder late {late} times, slowest stop {worst:.1f} ms")
    # For one attack alone a few cycles would decide, and with them a chance pause of the computer.
    add_rows(bench, "every attack together", every)
    return bench.finish()


def percentile(values: list[float], q: float) -> float:
    return float(np.percentile(values, q))


def add_rows(bench: Benchmark, title: str, spent: Cycles) -> None:
    """Show lateness and time of the link, attacked and not, and judge the difference."""
    for of, at, point in (("late", 0, "p99.9"), ("link", 1, "p99")):
        attacked, without = (
            bench.samples(
                f"{title}: {of}{'' if turn else ' without'}", spent[turn][at], unit="ms", scale=1e3
            )
            for turn in (True, False)
        )
        more = attacked.values[point] - without.values[point]
        bench.figure(f"{title}: {of} {point} above none", more, unit="ms", most=MORE_MS)


if __name__ == "__main__":
    raise SystemExit(main())
