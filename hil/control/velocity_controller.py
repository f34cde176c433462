"""The force law over a drive that takes velocity: nut velocity that makes the spring force follow.

See ``hil.control.velocity_model`` for the loop and its source. The deflection is fed back and the output's
velocity forward; the drive's own loop carries friction and load.
"""

from __future__ import annotations

import math

from hil.control.calibration import ForceCalibration, LiveCalibration
from hil.control.estimation import Estimator
from hil.control.force_controller import RESTING_M_S
from hil.control.force_design import dead_zone_m
from hil.control.velocity_design import VelocityGains
from hil.control.velocity_model import VelocityLaw
from hil.profile import Profile

SLIDE_S = (
    0.03  # in which the feed-forward changes to another behaviour's; common practice, no source
)


class VelocityController:
    """PI law on the deflection, its integral held while the velocity is at its limit.

    ``calibration`` is the bench's own, so that both change together.
    """

    def __init__(
        self, profile: Profile, gains: VelocityGains, calibration: LiveCalibration | None = None
    ) -> None:
        self._calibration = calibration or LiveCalibration(
            ForceCalibration(profile.calibration, profile.sensors.deflection)
        )
        self._proportional = gains.law.proportional_1_s
        self._integral = gains.law.integral_1_s2
        self._most_m_s = profile.limits.speed.limited
        self._dead_m = dead_zone_m(profile)
        self._gains = gains
        self.saturated = False
        self.reset()

    def narrow(self, most_m_s: float) -> None:
        """Limit the nut to this speed from now on, m/s."""
        self._most_m_s = most_m_s

    def retune(self, law: VelocityLaw) -> None:
        """Use these gains from now on; the integral is a velocity and stays."""
        self._proportional, self._integral = law.proportional_1_s, law.integral_1_s2

    def use_feedforward(self, gains: VelocityGains) -> None:
        """Slide to the feed-forward that these gains allow."""
        self._gains = gains

    def reset(self, torque_N_m: float = 0.0) -> None:
        """Forget the past. The torque is up to the drive and changes nothing."""
        self._sum_m_s = 0.0
        self._feed = 0.0
        self.saturated = False

    def velocity(
        self, desired_force_N: float, estimator: Estimator, stiffness_N_m: float = 0.0
    ) -> float:
        """Return the nut velocity in m/s, within the speed limit; 0 for a NaN force.

        ``stiffness_N_m`` is that of the virtual spring that sets the force; 0 without one.
        """
        law = self._calibration
        error = law.deflection_for(desired_force_N) - estimator.deflection_m
        speed = abs(estimator.nut_velocity_m_s)
        if speed < RESTING_M_S:
            # Noise and the last count are not worth a motion at rest: friction would make it hunt.
            dead = self._dead_m * (1.0 - speed / RESTING_M_S)
            error = math.copysign(max(abs(error) - dead, 0.0), error)
        # Another behaviour may allow another share: the feed-forward slides there without a bump.
        step = estimator.step_s
        self._feed += (
            step / (SLIDE_S + step) * (self._gains.feedforward(stiffness_N_m) - self._feed)
        )
        velocity = self._proportional * error + self._sum_m_s
        velocity += self._feed * estimator.output_velocity_m_s
        # NaN or infinite; plain, since the hand-over writes it as C.
        if not abs(velocity) < math.inf:
            self.reset(0.0)
            return 0.0
        most = self._most_m_s
        self.saturated = abs(velocity) > most
        if self.saturated:
            return math.copysign(most, velocity)
        self._sum_m_s += step * self._integral * error
        return velocity
