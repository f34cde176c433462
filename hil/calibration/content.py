"""Content of a calibration file, as strict models."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

SCHEMA_VERSION = 2
POINT_COLUMNS = (
    "label",
    "mass_kg",
    "load_N",
    "u_load_N",
    "reading_counts",
    "sd_counts",
    "n",
    "series",
    "direction",
    "approach",
    "mounting",
    "output_position_m",
    "motor_force_N",
    "settled",
    "outlier",
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Table(_Strict):
    """Columns by name, in rows; an unknown value is null."""

    columns: tuple[str, ...]
    rows: tuple[tuple[int | float | str | None, ...], ...]

    @model_validator(mode="after")
    def _whole(self) -> Table:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError("every row needs one value for each column")
        return self

    def column(self, name: str) -> list[Any]:
        index = self.columns.index(name)
        return [row[index] for row in self.rows]


class Owner(_Strict):
    """The profile that the calibration belongs to."""

    name: str
    file: str
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    facts: dict[str, Any]


class Samples(_Strict):
    """The raw samples next to the file."""

    file: str = Field(pattern=r"^[^/\\]+\.parquet$")
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    rows: int = Field(ge=0)


class Law(_Strict):
    """As ``Fit.as_data``."""

    law: str
    names: tuple[str, ...]
    coefficients: tuple[float, ...]
    standard_errors: tuple[float, ...]
    correlation: tuple[tuple[float, ...], ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    r_squared: float
    aicc: float | None
    points: int
    degrees_of_freedom: int
    load_range: tuple[float, float]

    @model_validator(mode="after")
    def _square(self) -> Law:
        count = len(self.coefficients)
        rows = (
            self.names,
            self.standard_errors,
            self.correlation,
            self.covariance,
            *self.correlation,
            *self.covariance,
        )
        if any(len(row) != count for row in rows):
            raise ValueError(
                "names, errors, correlation and covariance must match the coefficients"
            )
        return self


class FiguresAt(_Strict):
    """As ``hil.calibration.figures.AtLoad``, % of the reading; null where not determined."""

    load: float
    repeatability: float | None
    reproducibility: float | None
    reversibility: float | None
    interpolation: float | None


class Figures(_Strict):
    """Figures of merit, and of the springs."""

    zero_percent: float | None
    resolution_N: float | None
    at: tuple[FiguresAt, ...]
    notes: tuple[str, ...]
    knee_m: float | None
    u_knee_m: float | None
    dead_zone_m: float | None
    rate_at_zero_N_m: float
    outer_rate_N_m: float | None
    force_per_count_N: float
    force_at_solid_N: float
    solid_deflection_m: float


class Finding(_Strict):
    """As ``hil.calibration.result.CalibrationFinding``, without its points."""

    code: str
    sentence: str
    fix: str
    severity: str


class Content(_Strict):
    """Everything in the file except its hash. Units are in the names, SI or counts.

    Attributes:
        name: name of the file as it was written.
        accuracy: standard uncertainties of the inputs of the loads.
        points: ``POINT_COLUMNS``, and each input's effect on the load as ``part_NAME_N``.
        law: reading against load, as ``Fit.as_data``; ``compared``: corrected AIC of each law
            tried.
        sensor: counts to deflection, empty if not measured.
        figures: figures of merit, as ISO 376 defines them, and of the springs.
        uncertainty: rows of force and standard uncertainty, N.
        budget: components of the uncertainty: ``force_N`` and a column per component.
        findings: each with code, sentence, fix and severity.
        calibration: the profile's part, SI numbers.
    """

    schema_version: int
    name: str = Field(pattern=r"^[0-9a-z-]{1,80}$")
    made: str
    profile: Owner
    drive: str
    simulated: bool
    software: str
    note: str
    conditions: dict[str, str | int | float]
    accuracy: dict[str, float]
    points: Table
    samples: Samples | None
    law: Law
    compared: dict[str, float | None]
    sensor: dict[str, Any]
    figures: Figures
    uncertainty: tuple[tuple[float, float], ...] = Field(min_length=2)
    budget: Table
    findings: tuple[Finding, ...]
    calibration: dict[str, Any]

    @model_validator(mode="after")
    def _columns(self) -> Content:
        for table, wanted in ((self.points, POINT_COLUMNS), (self.budget, ("force_N", "u_N"))):
            missing = [name for name in wanted if name not in table.columns]
            if missing:
                raise ValueError(f"column {missing[0]} is missing")
        return self


def plain_values(value: Any) -> Any:
    """Return plain Python values for numpy's; NaN becomes None, and text valid Unicode."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    return value
