"""Limits at work: what is limited, what trips, the margins left."""

from hil.supervision.bounds import Bounds
from hil.supervision.heat_at_start import (
    COLD_START,
    SIMULATED_START,
    HeatAtStart,
    KeptHeat,
    Moment,
    heat_at_start,
    unknown_heat,
    winding_degC,
)
from hil.supervision.limit_margins import LimitMargin, limit_margins
from hil.supervision.limit_notices import LimitNotices
from hil.supervision.supervision import Supervisor

__all__ = [
    "COLD_START",
    "SIMULATED_START",
    "Bounds",
    "HeatAtStart",
    "KeptHeat",
    "LimitMargin",
    "LimitNotices",
    "Moment",
    "Supervisor",
    "heat_at_start",
    "limit_margins",
    "unknown_heat",
    "winding_degC",
]
