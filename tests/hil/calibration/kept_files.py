"""Calibration files for tests."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from hil.calibration.archive import content_of
from hil.calibration.calibration_file import CalibrationFile, write_calibration
from hil.calibration.result import CalibrationFinding
from tests.hil.calibration.made_up import made_up

MADE = datetime.datetime(2026, 3, 4, 5, 6, 7, tzinfo=datetime.UTC)
ERROR = CalibrationFinding("one_not_hung", "a weight was not hung", "hang it and repeat")


def kept(folder: Path, note: str = "", **more: Any) -> CalibrationFile:
    """Return a calibration on file without a certificate, which would take a second to draw."""
    result = made_up(**more)
    content = content_of(
        result, profile_file="x/trainer.yaml", drive="a drive", simulated=True, note=note
    )
    raw = ((i, point.rows) for i, point in enumerate(result.points) if point.rows.size)
    return write_calibration(folder, content, raw, MADE)
