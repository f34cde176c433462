"""Measure how late the rig host's cycle wakes and how long it works, next to an empty loop.

The whole bench runs on the footplate trainer at 1 kHz: simulated rig, rig host, recorder and
dashboard, each in its own process; the dashboard holds control and draws, a position is held
while a hand pushes, the recorder writes. The host's figures are read from the recorded run.
``--rate 2000`` runs the CAN board of the same rig, whose messages fit on the wire at 2 kHz; faster
rates run its line board at 3 Mbit/s, where the empty loop keeps no distance from the host's cycle.

The baseline is a loop at the same rate that does nothing, in a process prepared exactly like the
rig host: same scheduling priority, same processor, same requests to the system. It runs *at the
same time*, its wake-ups put 0.7 of a period after the host's, when the host's cycle is over. Both
then meet the same background load and the same pauses of a shared machine, which are rare, long,
and differ between runs. The remaining difference is the host's. An empty loop *alone*, before the
bench starts and after it has ended, shows the machine by itself; no goal refers to it.

Work is the time from the wake-up to the end of the cycle, including the wait for the drive's
answer. It is also given in two parts: until the answer (the host's SYNC, the bus, and a simulated
drive that computes a cycle of physics meanwhile), and after it (the host's computing, its command
to the drive, samples to the link, requests). A cycle is late if it woke after the next one was due;
a pause counts every period in it.

``--against`` measures an earlier version in the same run, by its own copy of this program and in
turns with today's at 1 kHz, and compares today's part after the answer with it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import can
import earlier
import numpy as np
from numpy.typing import NDArray
from seat import Seat, until_state
from table import Benchmark

from drivers.base import DriverError
from drivers.simulated.simulation_control import EnvironmentClient
from hil.core.samples import State
from hil.host.empty_loop import empty_loop
from hil.host.processes import BenchError, BenchProcesses
from hil.host.realtime import own_processor, prepare_realtime
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client, LinkError
from hil.profile import Profile, ProfileError, load_profile, profile_from_dict, profile_to_dict
from hil.recorder.runs import Run, RunError, load_run
from hil.recorder.writer import read_events

RATE_HZ = 1000.0
PRIORITY = 60  # that the rig host asks for
SECONDS = 60.0
SETTLE_S = 1.0
CIA402_MOST_HZ = 1600.0  # 'hookeline check' reports this for 1 Mbit/s
CAN_MOST_HZ = 2150.0  # the same of the CAN board
FAST_BAUD = 3_000_000  # of the line board: up to 5.0 kHz
AFTER_SHARE = 0.7  # of a period, from the host's first frame to the empty loop's wake-up
HEARD = 300  # first frames, to find the host's phase
HOLD, MIDDLE_M = 4, 0.027  # Hold position, and where
HAND_N, HAND_HZ = 8.0, 0.7
PATIENCE_S = 20.0
MORE_LATE_PER_CENT = 0.05  # than the baseline
WAKE_MOST, FAST_WAKE_MOST, FAST_HZ = 2.0, 1.2, 2000.0  # p99.9, times the empty loop's
OWN_PART = "after the answer"
OWN_MOST = 0.4  # of an earlier version's
ROUNDS = 3
ROUND_S = 10.0
# Effects of a computer that is too slow, or that pauses.
NOT_MEASURED = (
    BenchError,
    DriverError,
    LinkError,
    OSError,
    RunError,
    RuntimeError,
    subprocess.CalledProcessError,
)


@dataclass(frozen=True)
class Task:
    """Bench to be measured.

    Attributes:
        rate_Hz: of the cycle.
        profile: name of the shipped profile.
        first_id: identifier of the frame with which its cycle begins; 0 on a serial line.
    """

    rate_Hz: float
    profile: str
    first_id: int

    @property
    def period_s(self) -> float:
        return 1.0 / self.rate_Hz

    def loaded(self) -> Profile:
        """Return the profile at this rate.

        Raises:
            ProfileError: the wire or the design does not allow it.
        """
        data = profile_to_dict(load_profile(self.profile))
        data["control"]["rate"] = self.rate_Hz
        if not self.first_id:
            data["drive"]["port"]["baud"] = FAST_BAUD
        return profile_from_dict(data)


def task_at(rate_Hz: float) -> Task:
    """Return the bench for this rate: the footplate trainer's drive as far as its wire goes."""
    if rate_Hz <= CIA402_MOST_HZ:
        return Task(rate_Hz, "footplate_trainer", 0x80)  # SYNC
    if rate_Hz <= CAN_MOST_HZ:
        return Task(rate_Hz, "treadle_can", 0x101)  # ASK
    return Task(rate_Hz, "treadle_lines", 0)


def run_empty_loop(task: Task, seconds: float, channel: str) -> None:
    """The baseline's process; with a bus channel it keeps away from the host's cycle."""
    first_s, period_s = None, task.period_s
    if channel:
        heard: list[float] = []
        with can.Bus(interface="local_socket", channel=channel) as bus:
            while len(heard) < HEARD:
                frame = bus.recv(1.0)
                if frame is not None and frame.arbitration_id == task.first_id:
                    heard.append(time.monotonic())
        turns = np.exp(2j * np.pi * np.array(heard) / period_s)
        middle = np.median(turns.real) + 1j * np.median(turns.imag)
        phase = np.angle(middle) / 2 / np.pi % 1.0
        periods = np.ceil((time.monotonic() + SETTLE_S) / period_s)
        first_s = float((periods + phase + AFTER_SHARE) * period_s)
    each_s: list[float] = []
    grant = prepare_realtime(PRIORITY, own_processor())
    empty_loop(task.rate_Hz, seconds, each_s, first_s)
    # Writing takes tens of milliseconds: at this priority the rig host would lose them.
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    print(json.dumps({"each_s": each_s, "first_s": first_s or 0.0, "notice": grant.notice}))


def empty(task: Task, seconds: float, channel: str = "") -> tuple[NDArray[np.float64], float, str]:
    """Return latencies of the empty loop in s, its first wake-up, and the scheduling granted."""
    process = subprocess.run(
        [
            *(sys.executable, __file__, "--rate", str(task.rate_Hz)),
            *("--empty-loop", str(seconds), "--channel", channel),
        ],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    answer = json.loads(process.stdout)
    return np.array(answer["each_s"]), float(answer["first_s"]), str(answer["notice"])


def late(latencies_s: NDArray[np.float64], period_s: float) -> float:
    """Return the share of late cycles in %; a pause counts every period in it."""
    missed = int((latencies_s / period_s).astype(int).sum())
    return 100 * missed / (len(latencies_s) + missed)


def host_began(client: Client) -> float:
    """Return the rig host's time 0 on the monotonic clock, to within the age of a fresh block."""
    began = []
    end = time.monotonic() + SETTLE_S
    while time.monotonic() < end:
        for item in client.poll():
            if hasattr(item, "rows"):
                began.append(time.monotonic() - float(item.rows[-1, 0]))
        time.sleep(0.002)
    return min(began)


def kept_run(bench: BenchProcesses) -> Run:
    """Return the recorded run once the recorder has closed it."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        for file in sorted(bench.runs_directory.glob("*/samples.parquet")):
            if "trip" not in file.parent.name:
                return load_run(file.parent)
        time.sleep(0.2)
    raise RuntimeError("the recorder kept no run")


def measure_bench(
    task: Task, bench: BenchProcesses, seat: Seat, seconds: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], str]:
    """Return (wake, work, answer) of the host's cycles, the empty loop's latencies, the scheduling
    granted."""
    with Client.connect(bench.link_directory, name="benchmark") as client:
        seat.press("P")
        seat.press("Y")
        until_state(client, State.STANDBY)
        time.sleep(SETTLE_S)  # the window shows it a moment later, and the load comes to rest
        seat.enter(HOLD, "position", MIDDLE_M)
        seat.press(str(HOLD))
        seat.press("Return")
        until_state(client, State.RUNNING)
        time.sleep(SETTLE_S)
        began_s = host_began(client)
    control = EnvironmentClient(f"ipc://{bench.link_directory / 'environment.ipc'}")
    control.push(HAND_N, HAND_HZ)
    seat.press("R")
    time.sleep(SETTLE_S)
    channel = str(bench.link_directory / "can.sock") if task.first_id else ""
    latencies, first_s, notice = empty(task, seconds, channel)
    first_s = first_s or time.monotonic() - seconds
    with Client.connect(bench.link_directory, name="benchmark") as client:
        until_state(client, State.RUNNING, 1.0)
        seat.press("R")
        control.push(0.0)
        control.close()
        run = kept_run(bench)
        seat.press("Escape")
        until_state(client, State.STOPPED)
    since_s = run.column("time_s") - (first_s - began_s)
    inside = (since_s >= 0) & (since_s <= seconds)
    # A row's work is that of the cycle before it.
    work = np.append(run.column("work_s")[1:], np.nan)
    table = np.stack([run.column("wake_latency_s"), work, run.column("answer_s")])
    return table[:, inside], latencies, notice


def cut_short(runs: Path, error: Exception) -> list[str]:
    """Print why the bench stopped, and every pause that it reported."""
    lines = [f"NOT MEASURED: {error}"]
    for run in sorted(runs.glob("*/events.jsonl")):
        for event in read_events(run):
            if event.get("kind") == "stop":
                lines.append(f"  stopped: {event.get('cause')}: {event.get('detail')}")
            elif event.get("kind") == "pause":
                lines.append(
                    f"  at {event.get('time_s', 0.0):.3f} s {event.get('late_ms')} ms late: "
                    f"{event.get('cause')}"
                )
    return lines


def against(bench: Benchmark, commit: str, seconds: float) -> int:
    """Measure an earlier version and today's in turns; return the exit code."""
    own: dict[str, list[earlier.Outcome]] = {"today": [], "before": []}
    pure: dict[str, list[float]] = {"today": [], "before": []}
    try:
        with earlier.unpacked(commit) as folder:
            for turn in range(ROUNDS):
                kinds = [("before", folder), ("today", earlier.ROOT)]
                for name, root in kinds if turn % 2 == 0 else reversed(kinds):
                    own[name].append(earlier.run(root, "cycle.py", "--seconds", str(seconds)))
                    alone = earlier.run(root, "simulation.py", "--seconds", "3")
                    pure[name].append(alone.figure("bench without rig, a cycle"))
    except earlier.NotThere as error:
        print(f"NOT MEASURED: {error}")
        return 1
    for name, outcomes in own.items():
        medians = [outcome.median(OWN_PART) for outcome in outcomes]
        bench.samples(f"{OWN_PART}, medians, {name}", medians, unit="us")
        bench.samples(f"computing in lockstep, {name}", pure[name], unit="us")
        shares = [share for outcome in outcomes for share in outcome.shares]
        busy = np.array(shares) / RATE_HZ
        bench.samples(f"processor time of the host, {name}", busy, unit="us", scale=1e6)
    for words, most in (
        (f"{OWN_PART}, medians", OWN_MOST),
        ("computing in lockstep", None),
        ("processor time of the host", None),
    ):
        bench.ratio(f"{words}, today to before", f"{words}, today", f"{words}, before", most=most)
    bench.note(f"before: commit {commit}; {ROUNDS} turns of {seconds:g} s at 1 kHz")
    bench.note("processor time a millisecond: sending, receiving and waking are in it")
    bench.note(
        f"'{OWN_PART}' counts from the drive's first message. Before 2026-11-29 its second one came in a "
        "packet of its own, and the wait for it is in that part; processor time contains no wait"
    )
    return bench.finish()


def main() -> int:
    bench = Benchmark("The rig host's cycle, everything running", __doc__)
    bench.parser.add_argument("--rate", type=float, default=RATE_HZ, help="Hz (default: 1000)")
    bench.parser.add_argument(
        "--against", nargs="?", const=earlier.BEFORE, metavar="COMMIT", help="an earlier version"
    )
    bench.parser.add_argument("--empty-loop", type=float, help="only that, for so many seconds")
    bench.parser.add_argument("--channel", default="", help="bus of the bench it runs beside")
    options = bench.parse()
    if options.empty_loop:
        run_empty_loop(task_at(options.rate), options.empty_loop, options.channel)
        return 0
    if options.against:
        return against(bench, options.against, options.seconds or ROUND_S)
    seconds = options.seconds or SECONDS
    alone_s = max(2.0, seconds / 10)
    task = task_at(options.rate)
    try:
        profile = task.loaded()
    except ProfileError as error:
        print(f"NOT MEASURED: {error}")
        return 1
    before = empty(task, alone_s)[0]
    with tempfile.TemporaryDirectory(prefix="hookeline-") as folder:
        place = Path(folder)
        try:
            with (
                start_bench(
                    task.profile,
                    BenchOptions(
                        runs_directory=place / "runs",
                        link_directory=place / "link",
                        profile=profile,
                    ),
                ) as running,
                Seat(running.link_directory, running.runs_directory) as seat,
            ):
                (wake, work, answer), beside, notice = measure_bench(task, running, seat, seconds)
        except NOT_MEASURED as error:
            # The runs are complete now that the recorder has ended.
            for line in cut_short(place / "runs", error):
                print(line)
            return 1
    alone = np.concatenate([before, empty(task, alone_s)[0]])

    for name, latencies in (
        ("wake-up of the cycle", wake),
        ("empty loop meanwhile", beside),
        ("empty loop alone", alone),
        ("work of the cycle", work),
        ("until the drive's answer", answer),
        (OWN_PART, work - answer),
    ):
        bench.samples(name, latencies[~np.isnan(latencies)], unit="us", scale=1e6)
    bench.ratio(
        "wake-up p99.9 to the empty loop's",
        "wake-up of the cycle",
        "empty loop meanwhile",
        "p99.9",
        most=FAST_WAKE_MOST if options.rate >= FAST_HZ else WAKE_MOST,
    )
    bench.percentile("work p99", "work of the cycle", "p99", most=400.0)
    bench.figure(
        "late cycles",
        late(wake, task.period_s),
        unit="%",
        most=late(beside, task.period_s) + MORE_LATE_PER_CENT,
        baseline=(
            f"empty loop meanwhile {late(beside, task.period_s):.3f} %, "
            f"alone {late(alone, task.period_s):.3f} %"
        ),
    )
    bench.note(f"{task.rate_Hz:g} Hz, profile {task.profile}")
    for line in notice.splitlines():
        bench.note(line)
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
