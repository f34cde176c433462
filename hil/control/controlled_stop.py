"""The controlled stop (category 1 of IEC 60204-1): bring the nut to rest, then remove power."""

from __future__ import annotations

import math

from hil.control.estimation import Estimator
from hil.profile import Profile

RESTING_M_S = 0.003
SPEED_BANDWIDTH_RAD_S = 2 * math.pi * 8
# A nut that is braked gets neither faster nor farther than this beyond what the ramp explains;
# one that does is driven by something that the sensors do not show. Common practice, no source.
FASTER_M_S = 0.02
FARTHER_M = 0.003


class ControlledStop:
    """Speed control of the nut along a ramp to zero, balancing the spring force meanwhile.

    The ramp ends in "power off" when nut and output rest, or after ``stop.longest`` whatever
    they do. It only ever brakes, and ends at once (category 0) where that cannot be trusted: a
    value that is no number, a nut that gets faster, or one that goes farther than the ramp needs.
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
        self._fastest = 0.0
        self._travel = self._farthest = 0.0

    def start(self, nut_velocity_m_s: float) -> None:
        """Begin at this speed of the nut; one that is no number starts nothing."""
        self.running = math.isfinite(nut_velocity_m_s)
        self._time = 0.0
        self._speed = nut_velocity_m_s
        self._fastest = abs(nut_velocity_m_s) + FASTER_M_S
        self._travel = 0.0
        self._farthest = nut_velocity_m_s**2 / (2 * self._deceleration) + FARTHER_M

    def abandon(self) -> None:
        """Remove power at once."""
        self.running = False

    def torque(
        self, estimator: Estimator, spring_force_N: float, dt_s: float, torque_limit_N_m: float
    ) -> float:
        """Motor torque in N·m, profile sign; clears ``running`` when the stop is complete."""
        self._time += dt_s
        velocity = estimator.nut_velocity_m_s
        self._travel += velocity * dt_s
        # Written so that a value that is no number ends it.
        trusted = abs(velocity) <= self._fastest and abs(self._travel) <= self._farthest
        if not trusted or not math.isfinite(spring_force_N + torque_limit_N_m):
            self.running = False
            return 0.0
        # The ramp follows a nut that slows by itself, so that nothing drives it on.
        along = math.copysign(1.0, self._speed)
        ramp = min(abs(self._speed) - self._deceleration * dt_s, along * velocity)
        self._speed = max(0.0, ramp) * along
        at_rest = (
            self._speed == 0.0
            and abs(velocity) < RESTING_M_S
            and abs(estimator.output_velocity_m_s) < RESTING_M_S
        )
        if at_rest or self._time >= self._longest:
            self.running = False
            return 0.0
        error = self._speed - velocity
        force = spring_force_N + self._mass * SPEED_BANDWIDTH_RAD_S * error
        force = max(-self._most_force, min(self._most_force, force))
        torque = force * self._torque_per_force
        return max(-torque_limit_N_m, min(torque_limit_N_m, torque))
