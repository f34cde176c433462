"""``--log-wire`` and ``--replay`` as commands: recorded from a live bench, then replayed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest

from hil.core.samples import COLUMNS
from hil.recorder.runs import load_run

pytestmark = pytest.mark.real_time

BRIEF = """
name: brief
description: PowerOn at the lower end, and off again.
profile: footplate_trainer
steps:
  - power_on
  - do: hold_position
    position: 2 mm
    speed: 20 mm/s
    for: 0.3 s
  - power_off
"""
# Columns of the computer's own timing: wake-up, latency and work.
OWN = {"time_s", "wake_latency_s", "work_s", "answer_s"}


def test_recorded_live_and_played_again(tmp_path: Path, hookeline: Any) -> None:
    """On a rig with a CAN bus and a serial port, aligned in time."""
    profile = "treadle_frames"
    sequence = tmp_path / "brief.yaml"
    sequence.write_text(BRIEF)
    common = (str(sequence), "--profile", profile, "--headless", "--json", "--out", str(tmp_path))
    done = hookeline("perform", *common, "--log-wire")
    recorded = json.loads(done.stdout.splitlines()[-1])
    assert recorded["run"], done.stderr
    folder = Path(recorded["run"])
    with can.LogReader(folder / "bus.log") as reader:
        assert sum(1 for _ in reader) > 1000
    assert (folder / "serial.log").stat().st_size > 1000
    assert not list(tmp_path.glob(".wire-*"))
    again = hookeline("perform", *common, "--replay", str(folder / "bus.log"))
    replayed = json.loads(again.stdout.splitlines()[-1])
    assert again.returncode == 0, again.stderr
    first, second = load_run(folder), load_run(Path(replayed["run"]))
    cycles = first.column("cycle")
    at = np.searchsorted(second.column("cycle"), cycles)
    for column in {column.name for column in COLUMNS} - OWN:
        assert np.array_equal(first.column(column), second.column(column)[at], equal_nan=True), (
            column
        )


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--lockstep", "--log-wire"), "no wires"),
        (("--replay", "x", "--log-wire"), "leave"),
        (("--replay", "there_is_none/bus.log"), "--log-wire"),
    ],
)
def test_wrong_use_is_reported_in_a_line(
    arguments: tuple[str, ...], words: str, hookeline: Any
) -> None:
    done = hookeline("perform", "demo", *arguments)
    assert done.returncode in (2, 3)
    assert words in done.stderr and "Traceback" not in done.stderr
