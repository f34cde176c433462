"""Measured values of another axis, as the cycle of this one sees them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


def follows_none() -> str:
    """Return that an axis follows no other one."""
    return ""


@dataclass(slots=True)
class AxisSeen:
    """Measured values of another axis, refilled in place once a cycle.

    Attributes:
        output_m: output position in m, NaN if none has been measured.
        force_N: spring force on its rod in N, without the tare; NaN if none has been measured.
        time_s: time of the sample since the rig host started.
        stopped: that axis is in state Stopped.
        follows: returns the axis that its setpoint follows at the moment of the call, '' for none.
    """

    output_m: float = math.nan
    force_N: float = math.nan
    time_s: float = -math.inf
    stopped: bool = False
    follows: Callable[[], str] = follows_none
