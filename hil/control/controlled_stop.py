"""The controlled stop (category 1 of IEC 60204-1): bring the nut to rest, then remove power."""

from __future__ import annotations

import math

from hil.control.estimation import Estimator
from hil.profile import Profile

RESTING_M_S = 0.003
SPEED_BANDWIDTH_RAD_S = 2 * math.pi * 8


class ControlledStop:
    """Speed control of the nut along a ramp to zero, balancing the spring force meanwhile.

    The ramp ends in "power off" when nut and output rest, or after ``stop.longest`` whatever
    they do.
    """

    def __init__(self, profile: Profile) -> None:
        stop = profile.stop
        self._deceleration = stop.deceleration
        self._longest = stop.longest
        actuator = profile.actuator
        self._mass = actuator.reflected_mass
        self._torque_per_force = actuator.screw.lead / (
            2 * math.pi * actuator.screw.efficiency_forward
        )
        self._most_force = profile.limits.force.limited
        self.running = False
        self._time = 0.0
        self._speed = 0.0

    def start(self, nut_velocity_m_s: float) -> None:
        self.running = True
        self._time = 0.0
        self._speed = nut_velocity_m_s

    def abandon(self) -> None:
        """Remove power at once."""
        self.running = False

    def torque(
        self, estimator: Estimator, spring_force_N: float, dt_s: float, torque_limit_N_m: float
    ) -> float:
        """Motor torque in N·m, profile sign; clears ``running`` when the stop is complete."""
        self._time += dt_s
        step = self._deceleration * dt_s
        self._speed = max(0.0, abs(self._speed) - step) * math.copysign(1.0, self._speed)
        at_rest = (
            self._speed == 0.0
            and abs(estimator.nut_velocity_m_s) < RESTING_M_S
            and abs(estimator.output_velocity_m_s) < RESTING_M_S
        )
        if at_rest or self._time >= self._longest:
            self.running = False
            return 0.0
        error = self._speed - estimator.nut_velocity_m_s
        force = spring_force_N + self._mass * SPEED_BANDWIDTH_RAD_S * error
        force = max(-self._most_force, min(self._most_force, force))
        torque = force * self._torque_per_force
        return max(-torque_limit_N_m, min(torque_limit_N_m, torque))
