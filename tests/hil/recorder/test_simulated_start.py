"""A run in lockstep has no date: lists say so instead of showing one."""

from __future__ import annotations

from pathlib import Path

from hil.bench.lockstep import EPOCH
from hil.recorder.listing import RunSummary


def test_the_start_of_a_run_in_lockstep_is_simulated_time() -> None:
    started = EPOCH.isoformat(timespec="milliseconds")
    assert RunSummary(Path("0001-a"), 1, "a", "complete", started).begun(19) == "simulated time"
    dated = RunSummary(Path("0002-b"), 2, "b", "complete", "2026-11-28T12:00:00.500+00:00")
    assert dated.begun(16) == "2026-11-28 12:00"
