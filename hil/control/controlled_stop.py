"""The controlled stop (category 1 of IEC 60204-1): bring the nut to rest, then remove power."""

from __future__ import annotations

import math

from hil.control.estimation import Estimator
from hil.profile import Profile

RESTING_M_S = 0.003
SPEED_BANDWIDTH_RAD_S = 2 * math.pi * 8
# A braked nut that gets faster is driven by a force that the sensors do not show. A force error F
# gives a speed error of F/(m·omega): that of a calibrated force, and of a spring force that changes
# at its limited rate while it is this old. Healthy loaded stops with late cycles gained 11 mm/s of
# 18 on the lever rig, 3 of 13 on the slide.
FORCE_AGE_S = 0.004
COVERAGE = 2.0  # expanded uncertainty, k = 2 of the GUM
LASTING_S = 0.003  # of a gain in speed; one of twice that much ends the stop at once


class ControlledStop:
    """Speed control of the nut along a ramp to zero, balancing the spring force.

    The ramp ends in "power off" when nut and output rest, or after ``stop.longest`` in any
    case. It only ever brakes, and ends (category 0) if that cannot be trusted: NaN, a nut that
    gets faster than it has been since the stop began, or one that travels farther than the
    ramp needs.

    Attributes:
        faster_m_s: gain in speed that the force's own error explains.
    """

    def __init__(self, profile: Profile) -> None:
        stop = profile.stop
        self._deceleration = stop.deceleration
        self._longest = stop.longest
        actuator = profile.actuator
        self._mass = actuator.reflected_mass
        self._torque_per_force = actuator.transmission.lead / (
            2 * math.pi * actuator.transmission.efficiency_forward
        )
        self._most_force = profile.limits.force.limited
        self.running = False
        self._time = 0.0
        self._speed = 0.0
        error = COVERAGE * math.hypot(
            profile.calibration.absolute_uncertainty,
            profile.calibration.relative_uncertainty * self._most_force,
        )
        error += profile.limits.force_rate.limited * FORCE_AGE_S
        self.faster_m_s = error / (self._mass * SPEED_BANDWIDTH_RAD_S)
        self._slowest = 0.0
        self._gaining_s = 0.0
        self._travel = self._farthest = 0.0

    def start(self, nut_velocity_m_s: float) -> None:
        """Start at this speed of the nut; NaN starts nothing."""
        self.running = math.isfinite(nut_velocity_m_s)
        self._time = 0.0
        self._speed = nut_velocity_m_s
        self._slowest = abs(nut_velocity_m_s)
        self._gaining_s = 0.0
        self._travel = 0.0
        self._farthest = self.way_m(nut_velocity_m_s)

    def way_m(self, nut_velocity_m_s: float) -> float:
        """Return the longest travel of a stop from this speed: that of the ramp, and of its loop's lag."""
        speed = abs(nut_velocity_m_s) + self.faster_m_s
        return speed**2 / (2 * self._deceleration) + speed / SPEED_BANDWIDTH_RAD_S

    def abandon(self) -> None:
        """Remove power at once."""
        self.running = False

    def torque(
        self, estimator: Estimator, spring_force_N: float, dt_s: float, torque_limit_N_m: float
    ) -> float:
        """Return the motor torque in N·m, profile sign; clear ``running`` when the stop is complete."""
        if not self._brake(estimator, dt_s, math.isfinite(spring_force_N + torque_limit_N_m)):
            return 0.0
        error = self._speed - estimator.nut_velocity_m_s
        force = spring_force_N + self._mass * SPEED_BANDWIDTH_RAD_S * error
        force = max(-self._most_force, min(self._most_force, force))
        torque = force * self._torque_per_force
        return max(-torque_limit_N_m, min(torque_limit_N_m, torque))

    def velocity(self, estimator: Estimator, dt_s: float) -> float:
        """Return the nut velocity in m/s for a drive that takes it; clear ``running`` as :meth:`torque`."""
        return self._speed if self._brake(estimator, dt_s, True) else 0.0

    def _brake(self, estimator: Estimator, dt_s: float, finite: bool) -> bool:
        """Advance the ramp by one cycle; return False once the stop is over."""
        self._time += dt_s
        velocity = estimator.nut_velocity_m_s
        self._travel += velocity * estimator.step_s
        # Written so that NaN ends it.
        gain = abs(velocity) - self._slowest
        self._slowest = min(self._slowest, abs(velocity))
        self._gaining_s = 0.0 if gain <= self.faster_m_s else self._gaining_s + estimator.step_s
        trusted = (
            gain <= 2.0 * self.faster_m_s
            and self._gaining_s < LASTING_S
            and abs(self._travel) <= self._farthest
        )
        if not trusted or not finite:
            self.running = False
            return False
        # The ramp follows a nut that slows by itself, so that it is not driven on.
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
        return self.running
