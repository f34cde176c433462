"""Columns of a rotary actuator's samples on disk: angles in rad, torques in N·m."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.motion import ROTARY_UNITS, Motion
from hil.core import COLUMNS, Column

_ENDINGS = {
    "m": ("_m", "_rad"),
    "m/s": ("_m_s", "_rad_s"),
    "N": ("_N", "_N_m"),
    "N/m": ("_N_m", "_N_m_rad"),
}
_ARROW_UNITS = {"N": "N.m", "N/m": "N.m/rad"}  # products as in the other columns
# In names and descriptions; a longer term before one contained in it.
_WORDS = (
    ("force", "torque"),
    ("position", "angle"),
    ("nut travel", "angle of the gear's output"),
    ("output rod", "output"),
    ("rod extension", "angle"),
    ("nut", "gear"),
)
FACTORS = {
    column.name: ROTARY_UNITS[column.unit][1] for column in COLUMNS if column.unit in _ENDINGS
}


def stored_column(column: Column, motion: Motion) -> Column:
    """Return a column as stored on disk; for a linear actuator it is unchanged."""
    if motion == "linear" or column.unit not in _ENDINGS:
        return column
    ending, rotary = _ENDINGS[column.unit]
    unit = _ARROW_UNITS.get(column.unit, ROTARY_UNITS[column.unit][0])
    name, description = column.name.removesuffix(ending), column.description
    for linear, word in _WORDS:
        name, description = name.replace(linear, word), description.replace(linear, word)
    return column._replace(name=name + rotary, unit=unit, description=description)


STORED = {column.name: stored_column(column, "rotary").name for column in COLUMNS}


def stored_columns(motion: Motion) -> list[Column]:
    """Return the columns of a sample as stored on disk."""
    return [stored_column(column, motion) for column in COLUMNS]


def described_motion(description: Mapping[str, Any]) -> Motion:
    """Return the kind of motion of the rig in the description of a bench or run."""
    profile = description.get("profile")
    actuator = profile.get("actuator") if isinstance(profile, Mapping) else None
    return "rotary" if isinstance(actuator, Mapping) and "gear" in actuator else "linear"
