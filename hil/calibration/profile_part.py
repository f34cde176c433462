"""A calibration written into the profile's own file, or given to a running bench."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from drivers.motion import FORCE, LENGTH, ROTARY_UNITS, is_rotary, worded
from hil.calibration.calibration_file import CalibrationFile, check_belongs
from hil.profile import Calibration, TwoSlopes, Written, arc_tables, load_profile, write_part


def use_in_profile(file: CalibrationFile, profile_path: str | Path) -> list[Written]:
    """Write the calibration into the profile; a copy of the old profile stays next to it.

    Raises:
        CalibrationFileError: it belongs to another rig, or must not be used.
        ProfileError: the profile cannot be written; a shipped one is never written.
        OSError: writing failed.
    """
    check_belongs(file, load_profile(profile_path))
    return write_part(profile_path, "calibration", list(profile_lines(file.calibration)))


def profile_lines(calibration: Calibration) -> Iterator[str]:
    """Yield the profile's ``calibration`` part as YAML lines; every number reads back unchanged."""
    if is_rotary():
        calibration = arc_tables(calibration, inside=False)
    law = calibration.spring_law
    yield f"# From {calibration.identity}"
    yield f"zero: {calibration.zero!r}"
    yield f"deflection_per_count: {_written(calibration.deflection_per_count, 'm/count')}"
    yield "spring_law:"
    yield f"  kind: {law.kind}"
    if isinstance(law, TwoSlopes):
        yield f"  inner_rate: {_written(law.inner_rate, 'N/m')}"
        yield f"  outer_rate: {_written(law.outer_rate, 'N/m')}"
        yield f"  knee: {_written(law.knee, 'm')}"
    else:
        yield f"  coefficients: [{', '.join(repr(c) for c in law.coefficients)}]"
    # Written even if empty, to override those of a base profile.
    yield from _rows(
        "sensor_table", f"counts from zero, deflection in {LENGTH.key}", calibration.sensor_table
    )
    yield from _rows(
        "uncertainty_table",
        f"{worded('force', 'torque')} in {FORCE.key}, standard uncertainty in {FORCE.key}",
        calibration.uncertainty_table,
    )
    # A table overrides these; they are written so that the part reads back unchanged.
    yield f"absolute_uncertainty: {_written(calibration.absolute_uncertainty, 'N')}"
    yield f"relative_uncertainty: {calibration.relative_uncertainty!r}"
    yield f'dated: "{calibration.dated}"'
    yield f"valid_months: {calibration.valid_months!r}"
    yield f'identity: "{calibration.identity}"'


def _written(value: float, unit: str) -> str:
    """Return a value inside as a profile has it, every digit of it."""
    if not is_rotary():
        return f"{value!r} {unit}"
    name, factor = ROTARY_UNITS[unit]
    return f"{value * factor!r} {name}"


def _rows(key: str, about: str, table: tuple[tuple[float, float], ...]) -> Iterator[str]:
    yield f"{key}:   # {about}" if table else f"{key}: []"
    for x, y in table:
        yield f"  - [{x!r}, {y!r}]"
