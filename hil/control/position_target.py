"""Position setpoint for a drive that takes it, from the nut velocity that the force law sets."""

from __future__ import annotations

import math
from typing import Final

HOLDING_SHARE: Final = 0.1  # of the speed limit: at rest there is no hurry


class PositionTarget:
    """Motor position that a drive's position loop turns into the velocity setpoint.

    The loop gives its velocity loop ω_p·(target − position): see ``hil.control.velocity_model``.
    A target that is not renewed, because a cycle is late, is reached and held.

    Args:
        gain_1_s: ω_p of the drive's position loop.
        most_rad_s: the speed limit. The force law keeps to it; holding uses a share of it.
    """

    def __init__(self, gain_1_s: float, most_rad_s: float) -> None:
        self._gain_1_s = gain_1_s
        self._reach_rad = HOLDING_SHARE * most_rad_s / gain_1_s
        self._held_rad = math.nan

    def moving(self, position_rad: float, velocity_rad_s: float) -> float:
        """Return the target in rad while a force or a stop is followed."""
        self._held_rad = math.nan
        return self.ahead(position_rad, velocity_rad_s)

    def ahead(self, position: float, velocity: float) -> float:
        """Return the position that gives a motor at ``position`` a velocity, in the units of both."""
        return position + velocity / self._gain_1_s

    def holding(self, position_rad: float) -> float:
        """Return the target in rad at rest: where the motor was at the first call.

        A motor turned away is drawn back slowly, and from nearby only: a count that restarted must
        not send it to the old position.
        """
        held, reach = self._held_rad, self._reach_rad
        if not abs(position_rad - held) <= 2.0 * reach:
            held = self._held_rad = position_rad
        return min(max(held, position_rad - reach), position_rad + reach)

    def free(self, position_rad: float) -> float:
        """Return the target in rad without power: where the motor is."""
        self._held_rad = math.nan
        return position_rad
