"""Watch over the travel while power is on and no force is commanded.

A nut without torque runs free: a hand or a weight then throws the output against its end. Without
power the shorted windings of most drives brake it. So power is removed while the distance suffices.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.motion import LENGTH, SPEED
from hil.control import Estimator
from hil.profile import Profile
from hil.supervision.force_caps import allowed_speed

LEAST_M_S: Final = 0.03  # speed of a hand that positions the output
LASTING_S: Final = 0.004  # sensor noise changes its sign within this time


class IdleTravel:
    """Watch over idle travel; one ``look`` a cycle in standby."""

    def __init__(self, profile: Profile) -> None:
        travel = profile.limits.travel
        self._lower, self._upper, self._braking = travel.lower, travel.upper, travel.braking
        self.reset()

    def reset(self) -> None:
        """Start over."""
        self._speed_m_s, self._room_m = 0.0, math.inf
        self._fast_s = 0.0

    def look(self, estimator: Estimator) -> bool:
        """Return whether the output runs towards an end faster than the remaining distance allows."""
        speed, position = estimator.output_velocity_m_s, estimator.output_position_m
        self._fast_s = self._fast_s + estimator.step_s if speed * self._speed_m_s > 0.0 else 0.0
        self._speed_m_s = speed
        self._room_m = self._upper - position if speed > 0.0 else position - self._lower
        size = abs(speed)
        if not (size > LEAST_M_S and size > allowed_speed(self._room_m, self._braking)):
            self._fast_s = 0.0
        return self._fast_s >= LASTING_S

    def text(self) -> str:
        """Return one sentence with numbers."""
        end = "upper" if self._speed_m_s > 0.0 else "lower"
        return (
            f"no force was commanded, and the output ran at {SPEED(abs(self._speed_m_s)):.0f}{SPEED} "
            f"towards the {end} soft end with {LENGTH(max(self._room_m, 0.0)):.1f}{LENGTH} left: "
            "power is removed so that the windings brake it"
        )
