"""Synthetic runs for tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from hil.core.samples import COLUMNS, INDEX
from hil.recorder.writer import RunWriter

WIDTH = len(COLUMNS)
START = "2000-01-01T00:00:00.000+00:00"
DESCRIPTION: dict[str, Any] = {
    "profile": {"name": "made up", "calibration": {"zero": 2048.0}},
    "rate_hz": 1000.0,
    "version": "9.9",
}


def made_rows(count: int, first: int = 0, seed: int = 1) -> np.ndarray:
    rows = np.random.default_rng(seed).normal(size=(count, len(COLUMNS)))
    rows[:, INDEX["cycle"]] = np.arange(first, first + count)
    rows[:, INDEX["time_s"]] = np.arange(first, first + count) / 1000.0
    for i, column in enumerate(COLUMNS):
        if column.kind.startswith("int"):
            rows[:, i] = np.floor(rows[:, i])
    return rows


def make_run(runs: Path, rows: np.ndarray, cuts: list[int], name: str = "float") -> Path:
    with RunWriter(runs, name, DESCRIPTION, note="a note", started=START) as writer:
        for part in np.split(rows, cuts):
            writer.rows(part)
            writer.event({"kind": "marker", "time_s": writer.samples / 1000.0, "text": "m"})
    assert writer.path is not None
    return writer.path
