"""Position-dependent dry friction of the screw: a tight spot, a bent screw."""

from __future__ import annotations

import math
from collections.abc import Callable

from drivers.simulated.parameters import RigParameters


def local_friction(parameters: RigParameters) -> Callable[[float], float] | None:
    """Return the friction in N at the nut by nut position in m, added to that of the whole screw.

    A tight spot decreases linearly to either side. A bent screw rubs once a turn, with at most
    ``screw_runout_N_m`` and zero half a turn later. None for a uniform screw.
    """
    p = parameters
    per_torque = 2 * math.pi / p.screw_lead_m
    spot_N = p.tight_spot_torque_N_m * per_torque if p.tight_spot_width_m else 0.0
    half_m, spot_m = 0.5 * p.tight_spot_width_m, p.tight_spot_position_m
    runout_N = 0.5 * p.screw_runout_N_m * per_torque
    if not spot_N and not runout_N:
        return None

    def friction_N(nut_m: float) -> float:
        near = abs(nut_m - spot_m)
        rubs = runout_N * (1.0 - math.cos(per_torque * nut_m)) if runout_N else 0.0
        return rubs + (spot_N * (1.0 - near / half_m) if near < half_m else 0.0)

    return friction_N
