"""How much longer the link keeps the cycle while a client attacks it.

The rig host's end of the link alone runs in a process prepared as the rig host is: each
millisecond it publishes a row and polls, and a holder of control beats 25 times a second from a
process of its own. Measured is the time in `poll` and the answers of a cycle: first without
attack, then with each attack from another process, at full speed. `--check` holds the p99 under
attack to 0.1 ms above the p99 without. Beside it stands how often the holder was found late, and
how long a stop of a third client took to arrive at the worst.
"""

from __future__ import annotations

import contextlib
import json
import math
import multiprocessing
import tempfile
import time
from collections.abc import Callable
from multiprocessing.synchronize import Event as Flag
from pathlib import Path
from typing import Any

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
START_S = 90.0  # of a process, on a computer that is busy
SECONDS = 4.0  # of each attack
MORE_MS = 0.1
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


def attack(directory: str, name: str, anew: bool, begin: Flag, ending: Flag) -> None:
    """Send without end; ``anew``: over a new connection every 50 ms, so never cut off for long."""
    send, pause_s = ATTACKS[name]
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    socket: zmq.Socket[bytes] | None = None
    fresh_s = 0.0
    begin.wait()
    while not ending.is_set():
        if socket is None or (anew and time.monotonic() - fresh_s > 0.05):
            if socket is not None:
                socket.close(0)
            socket = context.socket(zmq.DEALER)
            socket.setsockopt(zmq.LINGER, 0)
            socket.setsockopt(zmq.SNDTIMEO, 100)
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
    with (
        Client.connect(directory, name="holder") as holder,
        Client.connect(directory, name="third") as third,
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
                third.post_stop("third")
            time.sleep(0.01)


def serve(directory: str, seconds: float, ready: Flag, begin: Flag, result: Any) -> None:
    """The measured loop."""
    prepare_realtime(PRIORITY, own_processor())
    server = LinkServer(directory, {"rate_hz": 1 / PERIOD_S}, 0.15)
    ready.set()
    row = NO_SAMPLE
    spent: list[float] = []
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
        due = max(due + PERIOD_S, time.monotonic())
        sleep_until(due)
        server.publish_row(row)
        woke = time.monotonic()
        for incoming in server.poll(woke):
            if isinstance(incoming.request, Stop) and incoming.name == "third":
                stops.append(time.monotonic() - incoming.request.sent_s)
            server.reply(incoming, True, "done")
        spent.append(time.monotonic() - woke)
        if server.holder_late(time.monotonic()):
            late += 1
            server.drop_holder()
    result.put((spent, stops, late))
    time.sleep(0.1)
    server.close()


def measure(seconds: float, name: str, anew: bool) -> tuple[list[float], list[float], int]:
    with tempfile.TemporaryDirectory(prefix="hk-") as directory:
        context = multiprocessing.get_context("spawn")
        ending, ready, begin = context.Event(), context.Event(), context.Event()
        result = context.Queue()
        host = context.Process(target=serve, args=(directory, seconds, ready, begin, result))
        others = [context.Process(target=hold, args=(directory, ending))]
        if name:
            others.append(
                context.Process(target=attack, args=(directory, name, anew, begin, ending))
            )
        host.start()
        if not ready.wait(START_S):
            host.kill()
            raise SystemExit(f"the serving process does not start within {START_S:g} s")
        for process in others:
            process.start()
        try:
            found: tuple[list[float], list[float], int] = result.get(timeout=seconds + 2 * START_S)
            return found
        finally:
            ending.set()
            for process in (*others, host):
                process.join(10)
                if process.is_alive():
                    process.kill()


def main() -> int:
    bench = Benchmark("Time of the link in a cycle, under attack", __doc__)
    bench.parser.add_argument("--only", help="the attack with this in its name")
    options = bench.parse()
    seconds = options.seconds or SECONDS
    base = bench.samples("no attack", measure(seconds, "", False)[0], unit="ms", scale=1e3)
    for name in ATTACKS:
        if options.only and options.only not in name:
            continue
        for anew in (False, True):
            title = name + (", anew each 50 ms" if anew else "")
            spent, stops, late = measure(seconds, name, anew)
            row = bench.samples(title, spent, unit="ms", scale=1e3)
            more = row.values["p99"] - base.values["p99"]
            bench.figure(f"{title}: p99 above none", more, unit="ms", most=MORE_MS)
            worst = max(stops) if stops else math.nan
            bench.note(f"{title}: holder late {late} times, slowest stop {1e3 * worst:.1f} ms")
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
