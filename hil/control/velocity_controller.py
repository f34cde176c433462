"""The force law over a drive that takes velocity: nut velocity that makes the spring force follow.

See ``hil.control.velocity_model`` for the loop and its source. The deflection is fed back and the output's
velocity forward; the drive's own loop carries friction and load.

The drive's loop takes what torque it needs for a velocity. So that this stays within the current limit, the
velocity is limited to what its proportional part may add to the torque that the rest of it carries.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control.calibration import ForceCalibration, LiveCalibration
from hil.control.estimation import Estimator
from hil.control.force_controller import RESTING_M_S
from hil.control.force_design import dead_zone_m
from hil.control.velocity_design import VelocityGains
from hil.control.velocity_model import VelocityLaw
from hil.profile import Profile

SLIDE_S: Final = (
    0.03  # in which the feed-forward changes to another behaviour's; common practice, no source
)
# Of the drive's proportional gain over the stated one: the bring-up measures it up to 16 % low, and a torque
# is read a cycle late.
GAIN_TIMES: Final = 1.25
CARRIED_S: Final = (
    0.003  # mean of the torque that the drive's integral carries; common practice, no source
)


class VelocityController:
    """PI law on the deflection, its integral held while the velocity is at its limit.

    ``calibration`` is the bench's own, so that both change together.

    Attributes:
        saturated: the velocity is at a limit. at_torque: at the one that the motor torque sets.
        drag_N_s_m: drag of the loop now, by which the force lags a moving output: (1 − α)·k/P.
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
        plant = gains.plant
        gain = GAIN_TIMES * plant.mass * plant.loop_rad_s
        self._stiffness = plant.stiffness
        self._gain_N_m = gain / profile.actuator.radians_per_metre  # torque per m/s
        self.saturated = self.at_torque = False
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
        self._feed = self.drag_N_s_m = 0.0
        self._sent_m_s = self._carried_N_m = 0.0
        self._begins = True
        self.saturated = self.at_torque = False

    def velocity(
        self,
        desired_force_N: float,
        estimator: Estimator,
        stiffness_N_m: float = 0.0,
        most_N_m: float = math.inf,
        measured_N_m: float = 0.0,
    ) -> float:
        """Return the nut velocity in m/s, within the speed limit; 0 for a NaN force.

        Args:
            stiffness_N_m: stiffness of the virtual spring that sets the force; 0 without one.
            most_N_m: largest motor torque. measured_N_m: present one; NaN if the drive reports none.
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
        self.drag_N_s_m = (1.0 - self._feed) * self._stiffness / self._proportional
        velocity = self._proportional * error + self._sum_m_s
        velocity += self._feed * estimator.output_velocity_m_s
        # NaN or infinite; plain, since the hand-over writes it as C.
        if not abs(velocity) < math.inf:
            self.reset(0.0)
            return 0.0
        limited = max(-self._most_m_s, min(self._most_m_s, velocity))
        within = self._within_torque(limited, estimator, most_N_m, measured_N_m)
        self.at_torque = within != limited
        self.saturated = within != velocity
        self._sent_m_s = within
        if not self.saturated:
            self._sum_m_s += step * self._integral * error
        return within

    def _within_torque(
        self, velocity_m_s: float, estimator: Estimator, most_N_m: float, measured_N_m: float
    ) -> float:
        """Return the velocity for which the drive needs no more than this torque."""
        nut, step, gain = estimator.nut_velocity_m_s, estimator.step_s, self._gain_N_m
        # The rest of the measured torque: integral and feed-forward.
        rest = measured_N_m - gain * (self._sent_m_s - nut)
        if not abs(rest) < math.inf or not most_N_m < math.inf:
            return velocity_m_s
        if self._begins:
            self._begins = False
            self._carried_N_m = measured_N_m
        self._carried_N_m += step / (CARRIED_S + step) * (rest - self._carried_N_m)
        carried = max(-most_N_m, min(most_N_m, self._carried_N_m))
        high = nut + (most_N_m - carried) / gain
        low = nut - (most_N_m + carried) / gain
        return max(low, min(high, velocity_m_s))
