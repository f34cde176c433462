"""Compare our serial-line CAN reader with python-can's stock ``slcan`` on a pair of pseudo-
terminals.

A cycle sends three frames of eight bytes and waits for the adapter's three answers (the adapter is
a process of its own); data beyond 8 KB that is not fetched is lost. The stock interface goes
through the same cycles against the same adapter. "Kept" is the share of due frames that arrived,
"CPU" the time of the reading and writing thread for each frame sent or received.
"""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
import tty
from typing import Any

import can
from table import Benchmark

FRAMES = 3
RATES_HZ = (1000, 2000)
ADAPTER = """
import os, select, sys
number = int(sys.argv[1])
os.set_blocking(number, False)
rest, out, count = b"", b"", 0
while True:
    select.select((number,), (number,) if out else (), ())
    try:
        rest += os.read(number, 65536)
    except BlockingIOError:
        pass
    except OSError:
        break
    *lines, rest = rest.split(b"\\r")
    for line in lines:
        if len(out) > 8192:
            continue  # nobody reads: what an adapter cannot keep is lost
        if line[:1] == b"t":
            count += 1
            out += b"z\\rt18%d8%016X\\r" % (count % 3, count)
        else:
            out += b"\\r" if line else b"\\a"
    if out:
        try:
            out = out[os.write(number, out):]
        except BlockingIOError:
            pass
        except OSError:
            break
"""


class Adapter:
    """A pseudo-terminal with a process behind it that answers each frame with one."""

    def __init__(self) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._kept = slave
        self._process = subprocess.Popen(
            [sys.executable, "-c", ADAPTER, str(master)], pass_fds=(master,)
        )
        os.close(master)

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._kept)


def run(interface: str, rate_Hz: float, seconds: float) -> tuple[dict[str, float], list[float]]:
    """Run cycles against a fresh adapter; return the figures, and the time in s that each cycle
    took."""
    adapter = Adapter()
    options: dict[str, Any] = {"sleep_after_open": 0.0} if interface == "slcan" else {}
    bus = can.Bus(interface=interface, channel=adapter.path, bitrate=1_000_000, **options)
    frames = [
        can.Message(arbitration_id=0x100 + i, is_extended_id=False, data=bytes(8))
        for i in range(FRAMES)
    ]
    period = 1.0 / rate_Hz
    cycles = round(seconds * rate_Hz)
    came, took, late = 0, [], 0
    monotonic = time.monotonic
    until = monotonic() + 0.2
    while monotonic() < until:
        bus.recv(0.01)  # answers to its commands
    cpu = time.thread_time()
    started = due = monotonic()
    done_cycles = 0
    for _ in range(cycles):
        left = due - monotonic()
        if left > 0:
            select.select((), (), (), left)
        began = monotonic()
        if began - started > 1.5 * seconds:
            break  # too slow to reach the end; the part reached is reported
        for frame in frames:
            bus.send(frame)
        got = 0
        give_up = due + period if due + period > began else began + period
        while got < FRAMES:
            left = give_up - monotonic()
            if left <= 0:
                break
            if bus.recv(left) is not None:
                got += 1
        came += got
        ended = monotonic()
        took.append(ended - began)
        late += ended > due + period
        due = max(due + period, ended - 20 * period)
        done_cycles += 1
    lasted = monotonic() - started
    cpu = time.thread_time() - cpu
    # Frames received after their cycle was given up are late, not lost.
    straggling = 0
    while straggling + came < FRAMES * done_cycles and bus.recv(0.2) is not None:
        straggling += 1
    bus.shutdown()
    adapter.close()
    figures = {
        "kept": 100.0 * (came + straggling) / (FRAMES * done_cycles),
        "in_time": 100.0 * came / (FRAMES * done_cycles),
        "cpu_us": 1e6 * cpu / (2 * FRAMES * done_cycles),
        "rate": done_cycles / lasted,
        "late": 100.0 * late / done_cycles,
    }
    return figures, took


def main() -> int:
    bench = Benchmark("Serial-line CAN, three frames a cycle each way", __doc__)
    options = bench.parse()
    seconds = float(options.seconds or 5.0)
    for rate in RATES_HZ:
        results = {name: run(name, rate, seconds) for name in ("slcan", "serial_line")}
        for name, words in (("serial_line", "ours"), ("slcan", "stock")):
            _, took = results[name]
            bench.samples(f"{words}, cycle at {rate} Hz", took, unit="us", scale=1e6)
        ours, stock = (results[name][0] for name in ("serial_line", "slcan"))
        aimed = rate == RATES_HZ[0]
        for key, label, unit, goals in (
            ("kept", "frames kept", "%", {"least": 100.0}),
            ("in_time", "frames in time", "%", {"least": 99.0} if aimed else {}),
            ("rate", "rate reached", "Hz", {"least": 0.99 * rate}),
            ("cpu_us", "CPU a frame", "us", {}),
        ):
            bench.figure(
                f"{label} at {rate} Hz",
                ours[key],
                unit=unit,
                baseline=f"stock {stock[key]:.4g} {unit}",
                **goals,
            )
        bench.figure(
            f"CPU a frame, ours to stock, at {rate} Hz",
            ours["cpu_us"] / stock["cpu_us"],
            unit="×",
            most=0.5,
            baseline="stock",
        )
    bench.note("adapter, its pseudo-terminal and this program share the cores")
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
