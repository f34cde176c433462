"""The processor is kept awake while power is on, and only then."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from hil.core import PowerOff, PowerOn
from hil.host import BenchOptions, start_bench
from hil.host.start import LET_SLEEP
from hil.link import Client

pytestmark = pytest.mark.real_time


def process_state(pid: int) -> str:
    """Return the state letter of the process: R running, S sleeping, T stopped."""
    return Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1][0]


def until_state(pid: int, letters: str) -> None:
    deadline = time.monotonic() + 10
    while process_state(pid) not in letters:
        assert time.monotonic() < deadline, process_state(pid)
        time.sleep(0.02)


@pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2, reason="one processor: nothing is pinned")
def test_it_works_while_power_is_on_at_the_lowest_class(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(LET_SLEEP)
    with start_bench("footplate_trainer", BenchOptions(runs_directory=tmp_path / "runs")) as bench:
        pid = bench.processes["keep_awake"].pid
        until_state(pid, "T")
        assert os.sched_getscheduler(pid) == os.SCHED_IDLE
        assert len(os.sched_getaffinity(pid)) == 1
        with Client.connect(bench.link_directory, name="test") as client:
            client.take_control()
            with client.keep_control():
                client.request(PowerOn(load_supported=True))
                until_state(pid, "RS")
                time.sleep(0.3)
                client.request(PowerOff())
                until_state(pid, "T")
    assert not Path(f"/proc/{pid}").exists()
