"""Units and names of columns as people read them, in figures and on the screen alike."""

from __future__ import annotations

import math

from drivers.motion import FORCE, LENGTH

# Unit of a column: as it is shown, and the factor to there.
SHOWN_UNITS = {
    "m": ("mm", 1e3),
    "m/s": ("mm/s", 1e3),
    "N/m": ("N/mm", 1e-3),
    "N.m": ("N·m", 1.0),
    "degC": ("°C", 1.0),
    "rad": ("°", 180.0 / math.pi),
    "rad/s": ("°/s", 180.0 / math.pi),
    "N.m/rad": ("N·m/rad", 1.0),
    "arc m": LENGTH.rotary.shown,
    "arc N": FORCE.rotary.shown,
    "s": ("ms", 1e3),
    "1": ("", 1.0),
}
_ENDINGS = ("_N_m_rad", "_rad_s", "_rad", "_N_m", "_m_s", "_degC", "_m", "_N", "_s", "_V", "_J")


def shown_unit(unit: str) -> tuple[str, float]:
    """Return the displayed unit, and the factor from the column's own."""
    return SHOWN_UNITS.get(unit, (unit, 1.0))


def short_name(column: str) -> str:
    """Return a column's name without its unit: "spring force" for ``spring_force_N``."""
    for ending in _ENDINGS:
        if column.endswith(ending):
            column = column.removesuffix(ending)
            break
    return column.replace("_", " ")
