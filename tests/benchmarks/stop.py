"""Measure how soon power-off is on the wire after a client requests a stop or a process dies.

All processes run. A separate listener at real-time priority watches the bus between simulated drive
and rig host; all processes share one clock (CLOCK_MONOTONIC). It measures

- *key*: from Esc, put into the dashboard's event loop at a random moment, to the first control word
  that disables voltage. Baseline: the same from a script that calls ``Client.stop``, without a
  window;
- *key, attacked*: the same key while another client sends wrong messages of 13 kB at full speed, over
  a new connection every 50 ms, so that it is never cut off for long;
- *limit*: from the telemetry frame that shows the crossed limit (a jump of the deflection sensor)
  to that control word; both are on the bus; the baseline is the cycle's period;
- *dashboard killed*: from SIGKILL to that control word, with the dashboard holding control.
  Baseline: the profile's heartbeat limit;
- *host killed*: from SIGKILL to the drive's own stop, the EMCY with which it removes power.
  Baseline: the drive's heartbeat limit.

*Link to wire* is the part of *key* after the dashboard gave the stop to the link, as reported by
the rig host. A window that loses control on a busy computer, or a drive that falls silent there,
stops the bench, as it must: the part that was being measured ends early and a note of the table
says so. With ``--check`` that is a failure. The program takes about five minutes and reports its
progress on stderr; ``--keys 20`` takes one.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import random
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import can
from link_attack import attack
from seat import Seat, StateError, until_state
from table import Benchmark

from drivers.simulated.simulation_control import EnvironmentClient
from hil.core.limits import Cause
from hil.core.requests import PowerOn
from hil.core.samples import State
from hil.host.processes import BenchProcesses
from hil.host.realtime import prepare_realtime
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client, Event
from hil.profile.devices import drive_options
from hil.profile.loader import load_profile

PROFILE = "footplate_trainer"
RPDO_1, TPDO_2, EMCY = 0x205, 0x285, 0x85
ENABLE_VOLTAGE = 0x02
COUNTS = struct.Struct("<4xh")  # of the deflection sensor in TPDO 2, behind the velocity
JUMP_COUNTS = 250  # the limit is 200
PRIORITY = 50
ATTACK = "wrong publishes, 13 kB"
KEYS, ATTACKED, SCRIPTED, CROSSED, KILLED = 100, 50, 25, 25, 5
BETWEEN_S = 0.2  # every client has the state, and the load has come to rest
LATEST_S = 3.0
KEY_MS = 5.0
OWN = "host killed, drive's own stop"


def listen(channel: str) -> None:
    """Run the listener: print one line, kind and time, for each event."""
    with can.Bus(interface="local_socket", channel=channel) as bus:
        on = False
        counts = None
        prepare_realtime(PRIORITY)
        print("ready", flush=True)
        while True:
            frame = bus.recv(1.0)
            if frame is None:
                continue
            now_s = time.monotonic()
            identifier, data = frame.arbitration_id, frame.data
            if identifier == RPDO_1:
                was, on = on, bool(data[0] & ENABLE_VOLTAGE)
                if was and not on:
                    print("off", now_s, flush=True)
            elif identifier == TPDO_2:
                before, counts = counts, COUNTS.unpack_from(data)[0]
                if before is not None and abs(counts - before) > JUMP_COUNTS / 2:
                    print("jump", now_s, flush=True)
            elif identifier == EMCY and data[0:2] == b"\x30\x81":  # 8130h: heartbeat error
                print("own", now_s, flush=True)


class Listener:
    """The listener as the benchmark sees it. A context manager.

    Attributes:
        early: the event that ``next`` waited for had come before that time.
    """

    def __init__(self, link_directory: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, __file__, "--listen", str(link_directory / "can.sock")],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.early = False
        self._heard: queue.SimpleQueue[tuple[str, float]] = queue.SimpleQueue()
        threading.Thread(target=self._read, daemon=True).start()
        self.next("ready")

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            kind, _, when = line.partition(" ")
            self._heard.put((kind.strip(), float(when or 0.0)))

    def next(self, kind: str, after_s: float = 0.0) -> float:
        """Return the time of the next event of this kind after ``after_s``; NaN if none comes."""
        self.early = False
        end = time.monotonic() + (LATEST_S if after_s else 20.0)
        while (left := end - time.monotonic()) > 0:
            try:
                heard, when_s = self._heard.get(timeout=left)
            except queue.Empty:
                break
            if heard == kind and when_s >= after_s:
                return when_s
            self.early |= heard == kind
        return float("nan")

    def __enter__(self) -> Listener:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


def say(text: str) -> None:
    """Print on stderr how far the measurement is, and how busy the computer is."""
    load = os.getloadavg()[0]
    print(f"{time.strftime('%H:%M:%S')} {text} (load {load:.1f})", file=sys.stderr, flush=True)


def link_to_wire(client: Client) -> float:
    """Return the seconds from link to wire of the latest stop by a person; NaN if none is
    recorded."""
    end = time.monotonic() + LATEST_S
    while time.monotonic() < end:
        for item in client.poll():
            if isinstance(item, Event) and item.kind == "stop" and item["code"] == Cause.OPERATOR:
                return 1e-3 * float(item["to_wire_ms"])
        time.sleep(0.002)
    return float("nan")


def energise(seat: Seat, client: Client) -> None:
    """Go from Stopped or De-energised to Standby by keys."""
    time.sleep(BETWEEN_S)
    seat.press("T")
    until_state(client, State.DE_ENERGISED)
    time.sleep(BETWEEN_S)
    seat.press("P")
    seat.press("Y")
    until_state(client, State.STANDBY)
    time.sleep(0.1 + 0.1 * random.random())  # at any phase of the window's drawing


@contextlib.contextmanager
def attacked(link_directory: Path) -> Iterator[None]:
    """Attack the rig host's link from another process."""
    context = multiprocessing.get_context("spawn")
    begin, ending = context.Event(), context.Event()
    attacker = context.Process(
        target=attack, args=(str(link_directory), ATTACK, True, begin, ending)
    )
    attacker.start()
    begin.set()
    time.sleep(1.0)  # it is at work by then
    try:
        yield
    finally:
        ending.set()
        attacker.join(10)
        attacker.kill()


@dataclass
class Measured:
    """Seconds by the source of the stop, as far as they were measured.

    Attributes:
        alone: how often the bench had stopped by itself just before the key.
        cut_short: for each part that ended early, what was found.
    """

    seconds: dict[str, list[float]] = field(default_factory=dict)
    alone: int = 0
    cut_short: list[str] = field(default_factory=list)

    def of(self, name: str) -> list[float]:
        return self.seconds.setdefault(name, [])

    @contextlib.contextmanager
    def part(self, name: str, count: int) -> Iterator[None]:
        """Measure a part of ``count`` stops; if the bench does not obey, keep what is there."""
        self.of(name)
        say(f"{name}, {count} times")
        try:
            yield
        except StateError as error:
            load = os.getloadavg()[0]
            found = f"{name}: {len(self.of(name))} of {count} measured, then {error}"
            self.cut_short.append(f"{found} (load {load:.1f})")
            say(self.cut_short[-1])


def measure_keys(
    seat: Seat, client: Client, wire: Listener, keys: int, measured: Measured, more: str = ""
) -> None:
    """Add seconds from a key to the wire, and of these from the link to the wire.

    Raises:
        StateError: the window has lost control, so that its keys do nothing.
    """
    pressed, linked = measured.of(f"key to wire{more}"), measured.of(f"link to wire{more}")
    while len(pressed) < keys:
        energise(seat, client)
        asked_s = seat.press("Escape")
        lasted_s = wire.next("off", asked_s) - asked_s
        if wire.early and lasted_s != lasted_s:
            measured.alone += 1  # stopped by itself in the last moment before the key
        else:
            pressed.append(lasted_s)
            linked.append(link_to_wire(client))


def measure_stops(running: BenchProcesses, keys: int, measured: Measured) -> None:
    """Measure every stop that the rig host survives; each part has a window of its own."""
    control = EnvironmentClient(f"ipc://{running.link_directory / 'environment.ipc'}")
    with (
        Listener(running.link_directory) as wire,
        Client.connect(running.link_directory, name="benchmark") as client,
    ):

        @contextlib.contextmanager
        def part(name: str, count: int) -> Iterator[Seat]:
            with (
                measured.part(name, count),
                Seat(running.link_directory, running.runs_directory) as seat,
            ):
                time.sleep(1.0)
                yield seat

        with part("key to wire", keys) as seat:
            measure_keys(seat, client, wire, keys, measured)
        count = max(2, keys * ATTACKED // KEYS)
        with part("key to wire, attacked", count) as seat, attacked(running.link_directory):
            measure_keys(seat, client, wire, count, measured, ", attacked")
        count = max(2, keys * SCRIPTED // KEYS)
        with part("script to wire", count) as seat:
            for _ in range(count):
                energise(seat, client)
                asked_s = time.monotonic()
                client.stop()
                measured.of("script to wire").append(wire.next("off", asked_s) - asked_s)
        count = max(2, keys * CROSSED // KEYS)
        with part("limit to wire", count) as seat:
            for _ in range(count):
                energise(seat, client)
                control.disturb("deflection_jump_counts", JUMP_COUNTS)
                seen_s = wire.next("jump", time.monotonic() - 0.1)
                measured.of("limit to wire").append(wire.next("off", seen_s) - seen_s)
                control.disturb("deflection_jump_counts", None)
        count = max(2, keys * KILLED // KEYS)
        for _ in range(count):
            with part("dashboard killed", count) as seat:
                energise(seat, client)
                killed_s = time.monotonic()
                seat.process.kill()
                measured.of("dashboard killed").append(wire.next("off", killed_s) - killed_s)
    control.close()


def measure_own_stop(folder: Path) -> float:
    """Return the seconds from a killed rig host to the drive's own stop."""
    with (
        start_bench(
            PROFILE,
            BenchOptions(
                runs_directory=folder / "runs", link_directory=folder / "link", recorder=False
            ),
        ) as running,
        Listener(running.link_directory) as wire,
        Client.connect(running.link_directory, name="benchmark") as client,
    ):
        client.take_control()
        with client.keep_control():
            time.sleep(BETWEEN_S)
            client.request(PowerOn(load_supported=True))
            until_state(client, State.STANDBY)
            time.sleep(0.1 * random.random())
            killed_s = time.monotonic()
            os.kill(running.processes["host"].pid, signal.SIGKILL)
            return wire.next("own", killed_s) - killed_s


def main() -> int:
    bench = Benchmark("From a stop, a crossed limit or a death to the wire", __doc__)
    bench.parser.add_argument("--listen", default="", help="only listen, on this bus channel")
    bench.parser.add_argument("--keys", type=int, default=KEYS, help="stops by key; others by it")
    options = bench.parse()
    if options.listen:
        listen(options.listen)
        return 0
    keys = round(options.seconds) if options.seconds else options.keys
    profile = load_profile(PROFILE)
    measured = Measured()
    with tempfile.TemporaryDirectory(prefix="hookeline-") as folder:
        place = Path(folder)
        with start_bench(
            PROFILE, BenchOptions(runs_directory=place / "runs", link_directory=place / "link")
        ) as running:
            measure_stops(running, keys, measured)
        count = max(2, keys * KILLED // KEYS)
        for k in range(count):
            with measured.part(OWN, count):
                measured.of(OWN).append(measure_own_stop(place / f"{k}"))
    for name, seconds in measured.seconds.items():
        bench.samples(name, seconds, unit="ms", scale=1e3)
    bench.percentile("key to wire p99", "key to wire", "p99", most=KEY_MS)
    bench.percentile("key to wire p99, attacked", "key to wire, attacked", "p99", most=KEY_MS)
    bench.ratio("key to script", "key to wire", "script to wire", "median")
    period_ms = 1e3 / profile.control.rate
    bench.percentile("limit to wire p99", "limit to wire", "p99", most=period_ms + 1.0)
    heartbeat_ms = 1e3 * profile.link.control_heartbeat
    bench.percentile("dashboard killed", "dashboard killed", "max", most=heartbeat_ms + 20.0)
    drive_ms = 1e3 * drive_options(profile, live=True).host_loss
    bench.percentile("host killed", OWN, "max", most=drive_ms + 20.0)
    bench.note(
        f"repeated, because the bench had stopped by itself just before the key: {measured.alone}"
    )
    for text in measured.cut_short:
        bench.note(f"CUT SHORT: {text}")
    bench.note(
        f"baselines: period {period_ms:g} ms, heartbeat limit {heartbeat_ms:g} ms, "
        f"drive's heartbeat limit {drive_ms:g} ms"
    )
    code = bench.finish()
    return 1 if options.check and measured.cut_short else code


if __name__ == "__main__":
    raise SystemExit(main())
