"""Measure what recording costs and whether it loses samples, next to ``csv.writer`` in the same run.

A process publishes rows of the simulated rig through the rig host's own ``LinkServer``, first at
1 kHz, then at 10 kHz, 32 columns each. The recorder's process and one that writes each
row with ``csv.writer`` take them at the same time. In the middle each disk write stalls for 2 s.

Bytes are those of the finished file per sample. CSV is counted in two ways: as ``csv.writer``
writes the link's float64, and with each value as short as its column's own type permits; the goal
refers to the shorter one.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from table import Benchmark

from hil.bench.lockstep import LockstepBench
from hil.core.requests import Apply, EndRun, HoldPosition, PowerOn, StartRun, VirtualSpring
from hil.core.samples import COLUMNS, INDEX, Sample
from hil.link.client import Block, Client, Event
from hil.link.server import LinkServer
from hil.profile.loader import load_profile
from hil.recorder.append_file import Disk
from hil.recorder.process import record
from hil.recorder.runs import load_run

STALL_S = 2.0
RATES_HZ = (1000.0, 10000.0)
SECONDS = 12.0
READY_S = 30.0
ESTIMATES = (
    "setpoint_force_N",
    "shaped_force_N",
    "spring_force_N",
    "force_u95_N",
    "motor_force_N",
    "deflection_rate_m_s",
    "output_velocity_m_s",
    "nut_velocity_m_s",
    "commanded_torque_N_m",
    "motor_heat",
)
JITTER = ("telemetry_age_s", "wake_latency_s", "work_s", "answer_s")


def simulated_rows() -> np.ndarray:
    """Return ten seconds of the demo rig: it moves, holds, and a hand pushes on a virtual spring.

    Lockstep has no jitter; its four timing columns are given some, or they would compress to
    nothing.
    """
    bench = LockstepBench(load_profile("footplate_trainer"))
    rows = bench.run(0.1)
    bench.request(PowerOn(load_supported=True))
    rows += bench.run(0.4)
    bench.request(Apply(behaviour=HoldPosition(position_m=0.025)))
    rows += bench.run(2.0)
    bench.request(
        Apply(behaviour=VirtualSpring(rest_m=0.025, stiffness_N_m=20e3, damping_N_s_m=300.0))
    )
    bench.environment.push(25.0, 1.3, 8.0)
    rows += bench.run(7.5)
    table = np.array(rows)
    random = np.random.default_rng(1)
    for name in JITTER:
        table[:, INDEX[name]] = random.gamma(4.0, 3e-5, len(table))
    return table


def never_repeated(rows: np.ndarray, count: int) -> np.ndarray:
    """Repeat ``rows`` up to ``count`` rows.

    Each repetition has its own jitter, and estimates that differ in the fifth digit: exact
    repetition would compress too well.
    """
    random = np.random.default_rng(2)
    parts = []
    for _ in range(-(-count // len(rows))):
        part = rows.copy()
        for i, column in enumerate(COLUMNS):
            if column.name in JITTER:
                part[:, i] = random.gamma(4.0, 3e-5, len(part))
            elif column.name in ESTIMATES:
                part[:, i] *= 1 + 1e-5 * random.normal(size=len(part))
        parts.append(part)
    return np.concatenate(parts)[:count]


# ---------------------------------------------------------------------- the processes


def publish(directory: Path, rate_hz: float, rows_file: Path) -> int:
    rows = np.load(rows_file)
    wake = rows[:, INDEX["wake_latency_s"]]
    description = {
        "rate_hz": rate_hz,
        "columns": [column._asdict() for column in COLUMNS],
        "profile": {"name": "replayed"},
    }
    server = LinkServer(directory, description, 0.5)
    ending: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: ending.append(1))
    print("ready", flush=True)
    started = time.monotonic()
    cycle = 0
    beat_s = started
    while not ending:
        now_s = time.monotonic()
        at = cycle % len(rows)
        due = min(int((now_s - started) * rate_hz) - cycle, 200)
        for i, row in enumerate(rows[at : at + due].tolist(), at):
            row[0] = cycle / rate_hz + wake[i]
            row[1] = float(cycle)
            server.publish_row(Sample._make(row))
            cycle += 1
        for incoming in server.poll(now_s):
            server.reply(incoming, True, "")
            if isinstance(incoming.request, StartRun | EndRun):
                kind = incoming.request.kind
                server.publish_event({"kind": kind, "time_s": cycle / rate_hz, "cycle": cycle})
        if now_s >= beat_s:
            beat_s = now_s + 0.04
            server.publish_event({"kind": "heartbeat"})
        time.sleep(0.001)
    server.close()
    return 0


class Stalling(Disk):
    """A writer that sleeps once in a write, when the sign file exists."""

    def __init__(self, sign: Path) -> None:
        self.sign = sign

    def write(self, file: int, data: memoryview) -> int:
        stall(self.sign)
        return super().write(file, data)


def stall(sign: Path) -> None:
    if sign.exists():
        sign.unlink()
        time.sleep(STALL_S)


class StallingText(io.FileIO):
    sign: Path

    def write(self, data: Any) -> int:
        stall(self.sign)
        return super().write(data) or 0


def write_csv(directory: Path, target: Path, sign: Path) -> int:
    """The baseline: one loop, one thread, a row at a time."""
    ending: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: ending.append(1))
    raw = StallingText(target, "w")
    raw.sign = sign
    out: IO[str] = io.TextIOWrapper(io.BufferedWriter(raw), newline="")
    writer = csv.writer(out)
    recording = False
    count = 0
    with Client.connect(directory, name="csv", unlimited=True) as client:
        print("ready", flush=True)
        while not ending:
            time.sleep(0.05)
            for item in client.poll():
                if isinstance(item, Event):
                    recording = {"start_run": True, "end_run": False}.get(item.kind, recording)
                elif recording:
                    writer.writerows(item.rows.tolist())
                    count += len(item.rows)
    out.close()
    print(json.dumps({"samples": count, "lost": client.lost_samples}), flush=True)
    return 0


@contextlib.contextmanager
def role(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, __file__, *arguments], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        if process.stdout.readline() != "ready\n":
            raise SystemExit(f"the process '{arguments[0]}' did not start")
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(READY_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def cpu_s(process: subprocess.Popen[str]) -> float:
    """Return the processor time of a process's present threads so far, in s."""
    total = 0
    for task in Path(f"/proc/{process.pid}/task").iterdir():
        with contextlib.suppress(OSError):
            total += int((task / "schedstat").read_text().split()[0])
    return total / 1e9


# ---------------------------------------------------------------------- the measurement


@dataclass
class Measured:
    seconds: float
    samples: int
    lost: int
    csv_lost: int
    cpu: float  # share of a core
    csv_cpu: float
    finish_s: float  # processor time of the Parquet file, per second of samples
    bytes: float  # per sample
    stream_bytes: float
    csv_bytes: float


def measure(rate_hz: float, seconds: float, rows_file: Path) -> Measured:
    with tempfile.TemporaryDirectory(prefix="hk-") as name, contextlib.ExitStack() as stack:
        base = Path(name)
        link, runs, table = base / "link", base / "runs", base / "table.csv"
        signs = base / "stall-recorder", base / "stall-csv"
        stack.enter_context(role("publish", str(link), str(rate_hz), str(rows_file)))
        baseline = stack.enter_context(role("csv", str(link), str(table), str(signs[1])))
        recorder = stack.enter_context(role("record", str(link), str(runs), str(signs[0])))
        with Client.connect(link, name="benchmark") as client:
            client.take_control()
            client.request(StartRun(name="measured"))
            before = cpu_s(recorder), cpu_s(baseline)
            started = time.monotonic()
            for _ in client.watch(seconds / 3):
                pass
            for sign in signs:
                sign.touch()
            for _ in client.watch(seconds * 2 / 3):
                pass
            span = time.monotonic() - started
            after = cpu_s(recorder), cpu_s(baseline)
            stream = next(runs.glob("*/samples.arrows")).stat().st_size
            client.request(EndRun())
            run_name = ""
            while not run_name:
                for item in client.watch(0.1):
                    if not isinstance(item, Block) and item.kind == "recorded":
                        run_name = str(item["run"])
            finish_s = cpu_s(recorder) - after[0]
        if any(sign.exists() for sign in signs):
            raise SystemExit("a disk did not stall; nothing was measured")
        baseline.terminate()
        assert baseline.stdout is not None
        told = json.loads(baseline.stdout.readline())
        baseline.wait()
        run = load_run(runs / run_name)
        first, last = (
            next(e["cycle"] for e in run.events if e["kind"] == kind)
            for kind in ("start_run", "end_run")
        )
        published = last - first
        samples = run.table.num_rows
        return Measured(
            span,
            samples,
            published - samples,
            published - told["samples"],
            (after[0] - before[0]) / span,
            (after[1] - before[1]) / span,
            finish_s / span,
            (run.path / "samples.parquet").stat().st_size / samples,
            stream / samples,
            table.stat().st_size / told["samples"],
        )


def shortest_csv_bytes(rows: np.ndarray) -> float:
    """Return bytes per row of CSV with every value as short as its column's type permits."""
    length = rows.size  # commas and line ends
    for i, column in enumerate(COLUMNS):
        length += sum(len(str(value)) for value in rows[:, i].astype(column.kind))
    return length / len(rows)


def main() -> int:
    bench = Benchmark("Recording", __doc__)
    options = bench.parse()
    seconds = options.seconds or SECONDS
    rows = simulated_rows()
    short = shortest_csv_bytes(rows)
    for rate_hz in RATES_HZ:
        with tempfile.NamedTemporaryFile(suffix=".npy") as file:
            np.save(file, never_repeated(rows, round(rate_hz * (seconds + 5.0))))
            file.flush()
            found = measure(rate_hz, seconds, Path(file.name))
        at = f"{rate_hz / 1000:g} kHz"
        bench.figure(
            f"samples lost, {at}",
            found.lost,
            most=0,
            baseline=f"csv.writer {found.csv_lost}, of {found.samples}",
        )
        bench.figure(
            f"recorder, {at}",
            100 * found.cpu,
            unit="% of a core",
            most=5.0 if rate_hz == 1000.0 else None,
            baseline=f"csv.writer {100 * found.csv_cpu:.2f} %",
        )
        bench.figure(
            f"writing Parquet afterwards, {at}", 1e3 * found.finish_s, unit="ms per s recorded"
        )
        bench.figure(
            f"bytes per sample, {at}",
            found.bytes,
            unit="B",
            baseline=f"csv.writer {found.csv_bytes:.0f} B, shortest CSV {short:.0f} B",
        )
        bench.figure(
            f"bytes to shortest CSV, {at}",
            found.bytes / short,
            unit="×",
            most=0.4,
            baseline=f"to csv.writer {found.bytes / found.csv_bytes:.2f}",
        )
        bench.figure(
            f"bytes while recording, {at}",
            found.stream_bytes,
            unit="B",
            baseline=f"to shortest CSV {found.stream_bytes / short:.2f}",
        )
    bench.note(f"one stall of {STALL_S:g} s of every disk write in each measurement")
    return bench.finish()


if __name__ == "__main__":
    if sys.argv[1:2] == ["publish"]:
        raise SystemExit(publish(Path(sys.argv[2]), float(sys.argv[3]), Path(sys.argv[4])))
    if sys.argv[1:2] == ["csv"]:
        raise SystemExit(write_csv(*(Path(argument) for argument in sys.argv[2:5])))
    if sys.argv[1:2] == ["record"]:
        link_, runs_, sign_ = (Path(argument) for argument in sys.argv[2:5])
        raise SystemExit(record(link_, runs_, Stalling(sign_)))
    raise SystemExit(main())
