"""A disk that accepts nothing: memory stays bounded; lost samples are counted and reported."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from hil.core import COLUMNS, INDEX
from hil.recorder import writer_thread
from hil.recorder.append_file import Disk
from hil.recorder.writer_thread import OperatorNotice, WriterThread

pytestmark = pytest.mark.real_time


class FullDisk(Disk):
    """A disk that refuses every byte while ``full``."""

    full = True

    def write(self, file: int, data: memoryview) -> int:
        if self.full:
            raise OSError(28, "No space left on device")
        return super().write(file, data)


def block(first_cycle: int, count: int) -> np.ndarray:
    rows = np.zeros((count, len(COLUMNS)))
    rows[:, INDEX["cycle"]] = np.arange(first_cycle, first_cycle + count)
    rows[:, INDEX["time_s"]] = rows[:, INDEX["cycle"]] * 1e-3
    return rows


def test_memory_is_bounded_and_the_loss_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    row_bytes = 8 * len(COLUMNS)
    monkeypatch.setattr(writer_thread, "MOST_WAITING_BYTES", 2000 * row_bytes)
    said: list[OperatorNotice] = []
    thread = WriterThread(tmp_path, said.append, FullDisk())
    thread.start()
    thread.event({"kind": "start_run", "name": "full", "time_s": 0.0})
    for first in range(0, 20_000, 500):
        thread.rows(block(first, 500))
        assert thread.waiting_bytes <= 2500 * row_bytes
        time.sleep(0.002)
    assert thread.dropped >= 15_000
    assert sum("samples are being lost" in s.text for s in said) == 1
    thread.end("enough")
    thread.join(10)


def told(said: list[OperatorNotice], words: str, times: int) -> bool:
    return sum(words in one.text for one in said) == times


def until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 10.0
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_what_was_lost_is_reported_with_its_number_each_time_the_disk_was_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    row_bytes = 8 * len(COLUMNS)
    monkeypatch.setattr(writer_thread, "MOST_WAITING_BYTES", 2000 * row_bytes)
    said: list[OperatorNotice] = []
    disk = FullDisk()
    thread = WriterThread(tmp_path, said.append, disk)
    thread.start()
    thread.event({"kind": "start_run", "name": "full", "time_s": 0.0})
    before = cycle = 0
    for episode in (1, 2):
        disk.full = True
        while thread.dropped == before:
            thread.rows(block(cycle, 500))
            cycle += 500
            time.sleep(0.002)
        until(partial(told, said, "does not take", episode))
        disk.full = False
        until(partial(told, said, "again", episode))
        lost, before = thread.dropped - before, thread.dropped
        assert f"again; {lost} samples were lost" in [s.text for s in said if "again" in s.text][-1]
        assert sum("samples are being lost" in s.text for s in said) == episode
    thread.end("enough")
    thread.join(10)
