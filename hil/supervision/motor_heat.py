"""Heat of the motor as two bodies: a quick winding on a slow housing.

Two-body model of a motor, as overload relays use it (IEC 60255-149, from memory): copper loss
warms the winding over the housing, and the housing over its surroundings. All rises are shares
of the winding's at continuous current, settled and turning.

While the rotor turns, all phases share the loss. At standstill the phase at the peak of its
current takes twice the mean. The loss as a vector at twice the electrical angle, low-passed with
the winding's time constant, has exactly that length, whatever the commutation offset.
"""

from __future__ import annotations

import math
from typing import Final

from hil.profile import Profile

# More comes from a damaged file or a NaN current.
MOST_HEAT: Final = 1e3


class MotorHeat:
    """Heat of winding and housing.

    Attributes:
        heat: the larger of the two, each as a share of what is permitted continuously.
        winding, housing: the two shares.
        loss_factor: loss of the hottest phase over the mean loss, settled, at this motion.
    """

    def __init__(self, profile: Profile) -> None:
        motor = profile.actuator.motor
        self._per_continuous = 1.0 / motor.continuous_current
        self._winding_rate = 1.0 / motor.thermal_time_constant
        self._housing_rate = 1.0 / motor.housing_time_constant
        self._housing_share = motor.housing_share
        self._crest = motor.standstill_factor - 1.0
        self._doubled_angle_per_metre = 2.0 * motor.pole_pairs * profile.actuator.radians_per_metre
        self._angle = 0.0
        self._mean = self._cosine = self._sine = 0.0
        self.heat = self.winding = self.housing = 0.0
        self.loss_factor = 1.0 + (1.0 - self._housing_share) * self._crest

    def update(self, current_A: float, nut_position_m: float, dt_s: float) -> None:
        """Follow one cycle; a NaN current or position changes nothing."""
        share = current_A * self._per_continuous
        loss = share * share
        if not loss < MOST_HEAT:
            return
        angle = self._doubled_angle_per_metre * nut_position_m
        if -1e9 < angle < 1e9:
            self._angle = angle
        angle = self._angle
        blend = dt_s * self._winding_rate
        blend = blend if blend < 1.0 else 1.0
        self._mean = mean = self._mean + (loss - self._mean) * blend
        self._cosine += (loss * math.cos(angle) - self._cosine) * blend
        self._sine += (loss * math.sin(angle) - self._sine) * blend
        blend = dt_s * self._housing_rate
        self.housing += (loss - self.housing) * (blend if blend < 1.0 else 1.0)
        crest = self._crest * math.sqrt(self._cosine * self._cosine + self._sine * self._sine)
        self._join(crest)
        if mean > 1e-6:
            self.loss_factor = 1.0 + (1.0 - self._housing_share) * crest / mean

    def take_over(self, before: MotorHeat) -> None:
        """Continue from the heat of another profile of the same motor."""
        self._mean, self._cosine, self._sine = before._mean, before._cosine, before._sine
        self._angle, self.housing = before._angle, before.housing
        self.winding, self.heat = before.winding, before.heat
        self.loss_factor = before.loss_factor

    def begin(self, winding: float, housing: float, passed_s: float = 0.0) -> None:
        """Start warm.

        Args:
            winding, housing: shares at some earlier moment.
            passed_s: time since then, in which both cooled without current.
        """
        own = max(winding - self._housing_share * housing, 0.0)
        self.housing = housing * math.exp(-max(passed_s, 0.0) * self._housing_rate)
        # The hottest phase is taken as the mean of all: one is known to have been this hot.
        self._mean = (
            own / (1.0 - self._housing_share) * math.exp(-max(passed_s, 0.0) * self._winding_rate)
        )
        self._cosine = self._sine = 0.0
        self._join(0.0)

    def _join(self, crest: float) -> None:
        share = self._housing_share
        self.winding = (1.0 - share) * (self._mean + crest) + share * self.housing
        self.heat = self.winding if self.winding > self.housing else self.housing
