"""A paced loop that does nothing, and the process that measures it.

``python -m hil.host.empty_loop RATE_HZ SECONDS PRIORITY`` prints one JSON object.
"""

from __future__ import annotations

import json
import os
import platform
import sys
import time

from hil.host.realtime import own_processor, prepare_realtime, sleep_until
from hil.host.timing import LatencyHistogram, judge


def empty_loop(
    rate_hz: float, seconds: float, each_s: list[float] | None = None, first_s: float | None = None
) -> tuple[LatencyHistogram, int, int]:
    """Wake ``rate_hz`` times a second, do nothing; return (latencies, cycles, late cycles).

    Args:
        each_s: list that receives every single latency in s; None for none.
        first_s: first wake-up on the monotonic clock; None for one period from now.

    Raises:
        ValueError: rate or duration is not above 0.
    """
    if not rate_hz > 0 or not seconds > 0:
        raise ValueError("rate_hz and seconds must be above 0")
    period = 1.0 / rate_hz
    histogram = LatencyHistogram()
    record = histogram.record
    monotonic = time.monotonic
    late = cycles = 0
    due = monotonic() + period if first_s is None else first_s
    end = due + seconds
    while due < end:
        sleep_until(due)
        behind = monotonic() - due
        record(behind)
        if each_s is not None:
            each_s.append(behind)
        cycles += 1
        if behind > period:
            late += 1
            missed = int(behind / period)
            cycles += missed
            late += missed
            due += missed * period
        due += period
    return histogram, cycles, late


def main(arguments: list[str]) -> None:
    """Run the measuring process: rate in Hz, seconds, priority; print one JSON object."""
    rate_hz, seconds, priority = float(arguments[0]), float(arguments[1]), int(arguments[2])
    grant = prepare_realtime(priority, own_processor())
    histogram, cycles, late = empty_loop(rate_hz, seconds)
    p999 = histogram.percentile(99.9)
    holds, verdict = judge(rate_hz, cycles, late, p999, grant.granted)
    fields = {
        "rate_hz": rate_hz,
        "seconds": seconds,
        "cycles": cycles,
        "late_cycles": late,
        "p50_s": histogram.percentile(50),
        "p99_s": histogram.percentile(99),
        "p999_s": p999,
        "max_s": histogram.max_s,
        "realtime": grant.granted,
        "notice": grant.notice,
        "machine": f"{len(os.sched_getaffinity(0))} processors, {platform.system()} "
        f"{platform.release().split('-')[0]}, Python {platform.python_version()}",
        "holds": holds,
        "verdict": verdict,
        "histogram": histogram.text(),
    }
    print(json.dumps(fields))


if __name__ == "__main__":
    main(sys.argv[1:])
