"""Write a finished calibration session to a file, with its certificate."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from hil.calibration.calibration_file import (
    CalibrationFile,
    CalibrationFileError,
    owner_of,
    write_calibration,
)
from hil.calibration.content import POINT_COLUMNS
from hil.calibration.loads import INPUTS, KINDS
from hil.calibration.result import CalibrationPoint, CalibrationResult
from hil.control import ForceCalibration
from hil.core import INDEX
from hil.profile import TwoSlopes
from hil.recorder import write_whole

CONDITIONS = (("supply_V", "supply_V"), ("drive_temperature_degC", "drive_temperature_degC"))


def keep_calibration(
    folder: Path | str,
    result: CalibrationResult,
    *,
    profile_file: str,
    drive: str,
    simulated: bool,
    note: str = "",
    conditions: Mapping[str, str | float] | None = None,
) -> CalibrationFile:
    """Write file, raw samples and certificate of a session; accepted or not, it is evidence.

    Args:
        profile_file: name or path of the profile. drive: its identity.
        conditions: further known conditions, such as the room temperature.

    Raises:
        CalibrationFileError: no law was found, so there is nothing to keep.
        OSError: writing failed.
    """
    content = content_of(
        result,
        profile_file=profile_file,
        drive=drive,
        simulated=simulated,
        note=note,
        conditions=conditions,
    )
    raw = ((i, point.rows) for i, point in enumerate(result.points) if point.rows.size)
    file = write_calibration(folder, content, raw)
    write_certificate(file)
    return file


def write_certificate(file: CalibrationFile) -> Path:
    """Write the certificate next to the file, made again from it.

    Raises:
        OSError: writing failed.
    """
    # It draws with matplotlib, which takes a second to load.
    from hil.calibration.certificate import certificate

    path = file.path.with_suffix(".html")
    write_whole(path, certificate(file).encode())
    return path


def content_of(
    result: CalibrationResult,
    *,
    profile_file: str,
    drive: str,
    simulated: bool,
    note: str = "",
    conditions: Mapping[str, str | float] | None = None,
) -> dict[str, Any]:
    """Return the contents of the file for ``write_calibration``.

    Raises:
        CalibrationFileError: no law was found.
    """
    if result.calibration is None or result.fit is None or result.budget is None:
        why = "; ".join(f"{f.sentence}; {f.fix}" for f in result.findings)
        raise CalibrationFileError(f"no force law was found: {why or 'too few points'}")
    budget = result.budget
    return {
        "profile": owner_of(result.profile, profile_file),
        "drive": drive,
        "simulated": simulated,
        "note": note,
        "conditions": {**_conditions(result), **(conditions or {})},
        "accuracy": result.accuracy.about(result.loads),
        "points": _points(result.points),
        "law": result.fit.as_data(),
        "compared": {name: fit.aicc for name, fit in result.fits.items()},
        "sensor": _sensor(result),
        "figures": _figures(result),
        "uncertainty": budget.table,
        "budget": {
            "columns": ["force_N", "u_N", *(f"{name}_N" for name in budget.components)],
            "rows": np.column_stack([budget.force_N, budget.u_N, *budget.components.values()]),
        },
        "findings": [
            {"code": f.code, "sentence": f.sentence, "fix": f.fix, "severity": f.severity}
            for f in result.findings
        ],
        "calibration": result.calibration.model_dump(mode="json"),
    }


def _points(points: tuple[CalibrationPoint, ...]) -> dict[str, Any]:
    parts = [name for name in INPUTS if any(point.parts.get(name) for point in points)]
    return {
        "columns": [*POINT_COLUMNS, *(f"part_{name}_N" for name in parts)],
        "rows": [
            [
                p.label,
                p.mass_kg,
                p.load_N,
                p.u_load_N,
                p.reading_counts,
                p.sd_counts,
                p.n,
                p.series,
                p.direction,
                p.approach,
                p.mounting,
                p.output_position_m,
                p.motor_force_N,
                int(p.settled),
                int(p.outlier),
                *(p.parts.get(name, 0.0) for name in parts),
            ]
            for p in points
        ],
    }


def _conditions(result: CalibrationResult) -> dict[str, str | float]:
    found: dict[str, str | float] = {"loads": KINDS[result.loads]}
    if result.loads != "cell":
        found["gravity_m_s2"] = result.profile.rig.gravity
    blocks = [point.rows for point in result.points if point.rows.size]
    if blocks:
        rows = np.concatenate(blocks)
        for key, column in CONDITIONS:
            values = rows[:, INDEX[column]]
            values = values[np.isfinite(values)]
            if values.size:
                found[key] = float(values.mean())
    return found


def _sensor(result: CalibrationResult) -> dict[str, Any]:
    sensor = result.sensor
    if sensor is None:
        return {}
    return {
        "kind": sensor.kind,
        "per_count_m": sensor.per_count_m,
        "u_per_count_m": sensor.u_per_count_m,
        "table": sensor.table,
        "counts": sensor.counts,
        "deflection_m": sensor.deflection_m,
        "residual_counts": sensor.residual_counts,
        "motor_force_N": sensor.motor_force_N,
    }


def _figures(result: CalibrationResult) -> dict[str, Any]:
    assert result.calibration is not None
    springs = result.profile.actuator.springs
    law = ForceCalibration(result.calibration, result.profile.sensors.deflection)
    spring_law = result.calibration.spring_law
    merit = result.merit
    return {
        "zero_percent": merit.zero if merit else None,
        "resolution_N": merit.resolution if merit else None,
        "at": [dataclasses.asdict(entry) for entry in merit.at] if merit else [],
        "notes": list(merit.notes) if merit else [],
        "knee_m": result.knee_m,
        "u_knee_m": result.u_knee_m,
        "dead_zone_m": result.dead_zone_m,
        "rate_at_zero_N_m": law.stiffness(0.0),
        "outer_rate_N_m": spring_law.outer_rate if isinstance(spring_law, TwoSlopes) else None,
        "force_per_count_N": abs(law.stiffness(0.0) * law.per_count),
        "force_at_solid_N": law.force(springs.solid_deflection),
        "solid_deflection_m": springs.solid_deflection,
    }
