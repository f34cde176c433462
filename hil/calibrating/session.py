"""The guided calibration: what to hang next, when it has settled, and what comes of it."""

from __future__ import annotations

from hil.calibrating.result import (
    Budget,
    CalibrationFinding,
    CalibrationPoint,
    CalibrationResult,
    SensorLaw,
)

__all__ = [
    "Budget",
    "CalibrationFinding",
    "CalibrationPoint",
    "CalibrationResult",
    "SensorLaw",
]
