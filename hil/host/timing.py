"""Latencies counted in fixed bins, and a measurement of the rate this computer can hold."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import time
from array import array
from dataclasses import dataclass

from hil.host.awake_process import start_keep_awake
from hil.host.realtime import own_processor

BINS_PER_OCTAVE = 8
FIRST_US = 0.5
OCTAVES = 18  # up to about 131 ms
BAR = 40
LATE_SHARE_HELD = 0.0005
WAKE_SHARE_HELD = 0.3  # of the period: the rest is for drive, cycle and link
LEAST_RATE_HZ = 50.0  # lowest rate in a profile
BUSY = "x = 0\nwhile True: x += 1"


class LatencyHistogram:
    """Counts of durations in bins that widen by 2^(1/8); ``record`` allocates nothing lasting.

    A percentile is correct to within one bin, 9 %; the largest value is exact.
    """

    def __init__(self) -> None:
        self._counts = array("Q", bytes(8 * (OCTAVES * BINS_PER_OCTAVE + 2)))
        self._top = len(self._counts) - 1
        self.count = 0
        self.max_s = 0.0
        self.total_s = 0.0

    def record(self, duration_s: float) -> None:
        """Count one duration in s; a negative one counts as 0."""
        us = duration_s * 1e6
        index = 0
        if us >= FIRST_US:
            index = 1 + int(BINS_PER_OCTAVE * math.log2(us / FIRST_US))
            if index > self._top:
                index = self._top
        self._counts[index] += 1
        self.count += 1
        if duration_s > self.max_s:
            self.max_s = duration_s
        if duration_s > 0.0:
            self.total_s += duration_s

    def percentile(self, percent: float) -> float:
        """Return the upper edge of the bin that holds this percentile, in s; NaN while empty."""
        if not 0.0 <= percent <= 100.0:
            raise ValueError(f"percent = {percent}: must be between 0 and 100")
        if self.count == 0:
            return math.nan
        wanted = max(1, math.ceil(self.count * percent / 100 - 1e-9))
        seen = 0
        for index, number in enumerate(self._counts):
            seen += number
            if seen >= wanted and index < self._top:
                return min(self._edge(index), self.max_s)
        return self.max_s

    @property
    def mean_s(self) -> float:
        return self.total_s / self.count if self.count else math.nan

    def share_above(self, duration_s: float) -> float:
        """Return the share of the counted durations in bins that lie wholly above ``duration_s``."""
        if self.count == 0:
            return 0.0
        above = sum(
            number
            for index, number in enumerate(self._counts)
            if index and self._edge(index - 1) >= duration_s
        )
        return above / self.count

    def text(self, indent: str = "") -> str:
        """Return a bar chart, one line per octave, on a logarithmic scale of counts."""
        if self.count == 0:
            return indent + "nothing counted"
        rows: list[tuple[float, float, int]] = [(0.0, FIRST_US, self._counts[0])]
        for octave in range(OCTAVES):
            first = 1 + octave * BINS_PER_OCTAVE
            number = sum(self._counts[first : first + BINS_PER_OCTAVE])
            rows.append((FIRST_US * 2**octave, FIRST_US * 2 ** (octave + 1), number))
        rows.append((FIRST_US * 2**OCTAVES, math.inf, self._counts[self._top]))
        filled = [index for index, row in enumerate(rows) if row[2]]
        shown = rows[filled[0] : filled[-1] + 1]
        longest = math.log1p(max(row[2] for row in shown))
        lines = []
        for low, high, number in shown:
            bar = "#" * round(BAR * math.log1p(number) / longest)
            upper = f"{_us(high)}" if math.isfinite(high) else "more"
            lines.append(f"{indent}{_us(low):>8} to {upper:<8} {number:>9}  {bar}")
        return "\n".join(lines)

    @staticmethod
    def _edge(index: int) -> float:
        return 1e-6 * FIRST_US * 2 ** (index / BINS_PER_OCTAVE)


def _us(us: float) -> str:
    return f"{us / 1000:.3g} ms" if us >= 1000 else f"{us:.3g} us"


@dataclass(frozen=True)
class HostReport:
    """Wake-up latencies of an empty loop on this computer; durations in s.

    A cycle is late if it woke after the next one was due. ``wake`` holds the histogram.
    """

    rate_hz: float
    seconds: float
    loaded: bool
    cycles: int
    late_cycles: int
    p50_s: float
    p99_s: float
    p999_s: float
    max_s: float
    realtime: bool
    notice: str
    machine: str
    holds: bool
    verdict: str
    histogram: str

    @property
    def late_share(self) -> float:
        return self.late_cycles / self.cycles if self.cycles else 1.0

    def text(self) -> str:
        """Return the whole report for a terminal."""
        return "\n".join(
            (
                f"{self.machine}; empty loop at {self.rate_hz:g} Hz for {self.seconds:g} s"
                + (", with a busy program on every processor" if self.loaded else ""),
                self.notice,
                "",
                f"wake-up latency: median {1e6 * self.p50_s:.0f} us, p99 "
                f"{1e6 * self.p99_s:.0f} us, p99.9 {1e6 * self.p999_s:.0f} us, max "
                f"{1e6 * self.max_s:.0f} us",
                f"late cycles: {self.late_cycles} of {self.cycles} ({100 * self.late_share:.3f} %)",
                "",
                self.histogram,
                "",
                self.verdict,
            )
        )

    def awake_text(self) -> str:
        """Return one line on the same loop with its processor kept awake."""
        return (
            f"with its processor kept awake, as it is while power is on: p99.9 "
            f"{1e6 * self.p999_s:.0f} us, late cycles: {self.late_cycles} of {self.cycles} "
            f"({100 * self.late_share:.3f} %). Cost: one processor at full load; "
            "HOOKELINE_LET_SLEEP=1 turns this off"
        )

    def as_data(self) -> dict[str, object]:
        """Return plain values for ``--json``."""
        return {
            "rate_hz": self.rate_hz,
            "seconds": self.seconds,
            "loaded": self.loaded,
            "cycles": self.cycles,
            "late_cycles": self.late_cycles,
            "late_share": self.late_share,
            "wake_us": {
                "p50": round(1e6 * self.p50_s, 2),
                "p99": round(1e6 * self.p99_s, 2),
                "p99.9": round(1e6 * self.p999_s, 2),
                "max": round(1e6 * self.max_s, 2),
            },
            "realtime": self.realtime,
            "notice": self.notice,
            "machine": self.machine,
            "holds": self.holds,
            "verdict": self.verdict,
        }


def measure_host(
    rate_hz: float = 1000.0,
    seconds: float = 10.0,
    load: bool = False,
    priority: int = 60,
    awake: bool = False,
) -> HostReport:
    """Run an empty loop in its own process and judge whether this computer holds the rate.

    Args:
        load: run one busy process per processor meanwhile.
        priority: SCHED_FIFO priority to request; 0 for none.
        awake: keep its processor awake meanwhile, as a bench does while power is on.

    Raises:
        ValueError: rate or duration is not above 0.
        RuntimeError: the measuring process failed (its own error is on stderr).
    """
    if not rate_hz > 0 or not seconds > 0:
        raise ValueError("rate_hz and seconds must be above 0")
    # Real-time settings are permanent, so they belong in a process that ends afterwards.
    processes: list[subprocess.Popen[str]] = []
    try:
        for _ in range(len(os.sched_getaffinity(0)) if load else 0):
            processes.append(subprocess.Popen([sys.executable, "-c", BUSY], text=True))
        if load:
            time.sleep(0.3)  # the busy processes are running by then
        processor = own_processor()
        if awake and processor is not None:
            processes.append(start_keep_awake(processor))
        worker = subprocess.Popen(
            [sys.executable, "-m", "hil.host.empty_loop", *map(str, (rate_hz, seconds, priority))],
            stdout=subprocess.PIPE,
            text=True,
        )
        processes.append(worker)
        output, _ = worker.communicate()
    finally:
        for process in processes:
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
    if worker.returncode != 0:
        raise RuntimeError(f"the measuring process ended with code {worker.returncode}")
    return HostReport(loaded=load, **json.loads(output))


def judge(
    rate_hz: float, cycles: int, late: int, p999_s: float, realtime: bool
) -> tuple[bool, str]:
    """Return whether the rate is held, and the verdict. Thresholds: common practice, no source."""
    period = 1.0 / rate_hz
    share = late / cycles if cycles else 1.0
    if share <= LATE_SHARE_HELD and p999_s <= WAKE_SHARE_HELD * period:
        return True, (
            f"This computer holds {rate_hz:g} Hz: 999 wake-ups of 1000 come within "
            f"{1e6 * p999_s:.0f} us of the {1e6 * period:.0f} us period."
        )
    first = "" if realtime else "get real-time scheduling granted first (see above), or "
    if p999_s <= WAKE_SHARE_HELD * period:
        return False, (
            f"This computer does NOT hold {rate_hz:g} Hz: {100 * share:.3f} % of the cycles are "
            "late, in a few long gaps rather than spread out, so something stops the program "
            f"completely now and then. Fix: {first}look for a virtual machine's pauses, power "
            "saving, or a quota on real-time programs."
        )
    # The rate whose period still leaves room after the worst of a thousand wake-ups.
    fit = min(WAKE_SHARE_HELD / p999_s, rate_hz)
    advice = (
        f"lower control.rate to {_round_down(fit):g} Hz"
        if fit >= LEAST_RATE_HZ
        else "use another computer: this one cannot run a paced loop now"
    )
    return False, (
        f"This computer does NOT hold {rate_hz:g} Hz: {100 * share:.3f} % of the cycles are late "
        f"and one wake-up in 1000 takes more than {1e6 * p999_s:.0f} us of the "
        f"{1e6 * period:.0f} us period. Fix: {first}end other programs, or {advice}."
    )


def _round_down(rate: float) -> float:
    step = 10.0 ** math.floor(math.log10(rate))
    return float(math.floor(rate / step) * step)
