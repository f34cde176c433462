"""Processor share of a simulated bench, measured in advance."""

from __future__ import annotations

import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from hil.host.processor_share import LOOK_S, judge_share, processor_s, rules
from hil.host.start import BenchOptions, start_bench
from hil.profile import load_profile


@dataclass(frozen=True)
class BenchShare:
    """Shares of one processor, and the consequence as text."""

    host: float
    rig: float
    safe: bool
    text: str


def measure_share(profile_path: str) -> BenchShare:
    """Run the simulated bench of a profile for a second, without power.

    Raises:
        ProfileError: the profile is not valid.
        BenchError: a process did not come up.
    """
    with (
        tempfile.TemporaryDirectory(prefix="hookeline-") as folder,
        start_bench(
            profile_path, BenchOptions(runs_directory=Path(folder), recorder=False)
        ) as bench,
    ):
        numbers = [bench.processes[name].pid for name in ("host", "rig")]
        before, began_s = [processor_s(number) for number in numbers], time.monotonic()
        time.sleep(LOOK_S)
        past_s = time.monotonic() - began_s
        after = [processor_s(number) for number in numbers]
    host, rig = ((b - a) / past_s for a, b in zip(before, after, strict=True))
    rate_hz = load_profile(profile_path).control.rate
    others = len(os.sched_getaffinity(0)) > 1
    found = judge_share(host, rig, others, rate_hz)
    taken = (
        f"at {rate_hz:g} Hz the rig host uses {100 * host:.0f} % and the simulated rig "
        f"{100 * rig:.0f} % of a processor"
    )
    text = f"{taken}: {found.text or 'safe'}.\nThe rule: {rules(others)}."
    return BenchShare(host, rig, not found.refusal, text)
