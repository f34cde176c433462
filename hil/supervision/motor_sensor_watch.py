"""Watch over the motor sensor under power: frozen, or slipping against its own velocity.

Both are judged at samples only, by the time between them, so that a late or repeated one counts
as neither stillness nor motion.

A sensor that freezes at rest shows nothing until the nut should move, and misleads nothing until then:
the force comes from the deflection, and the nut is where it was. A torque tap that shows it earlier
must move the nut, so it must overcome break-away and the screw's loss: on the footplate trainer 34 N
and 0.18 of the load, 86 N at half the force limit, which a person feels. So none is applied. Once the
nut should move, the campaign's 18 sessions that show it stop within 0.43 s and below the tripped force,
or the force that removal of power brings.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.base import Telemetry
from drivers.motion import LENGTH
from hil.control import Estimator
from hil.core import Limit
from hil.profile import Profile

# The nut would have moved on by this much from its speed, braked by the largest possible friction
# and driven by the torque beyond it; and the springs were strained by most of that, beyond what
# the output's own motion explains. From trials on the simulated rigs.
EXPECTED_M: Final = 0.0004
LIKELY_M: Final = 0.0001  # if the forces differ as well
FOLLOWED_SHARE: Final = 0.7
FRICTION_TIMES: Final = 1.5  # of the stated friction: a rig may have more
# Error of the output's acceleration against its known load: it is not measured, but derived from
# deflection and nut. 7 N of scatter on 240 kg at the rod, which 5 kg at the pan amount to.
OUTPUT_M_S2: Final = 0.03
LONGEST_GAP_S: Final = 0.02  # across a longer gap nothing is expected


class MotorSensorWatch:
    """Watch over a frozen motor sensor; one ``look`` a cycle while the bench relies on power.

    A frozen sensor shows not one count of change while a free nut would have moved by
    ``EXPECTED_M``, and the springs are strained as if it had. A nut that is jammed or held by
    friction strains them only by the output's own motion: the output continues as before, or
    swings with its known load, whichever explains more. The longer nothing arrives, the less is
    known of that.

    Attributes:
        expected_m: travel of a free nut since the last change of count, m.
        strained_m: change of deflection since then that the output's motion leaves, m.
        swung_m: travel of the output by its known load in addition to that motion, m.
    """

    def __init__(self, profile: Profile) -> None:
        actuator = profile.actuator
        friction = actuator.friction
        screw = actuator.transmission
        self._mass = actuator.reflected_mass
        self._per_torque = actuator.radians_per_metre
        self._dry_N = FRICTION_TIMES * max(friction.coulomb, friction.breakaway) * self._per_torque
        self._loss = max(1 / screw.efficiency_forward - 1, 1 - screw.efficiency_backward)
        self.expected_m = 0.0
        self.strained_m = 0.0
        self.swung_m = 0.0
        self.reset()

    def reset(self) -> None:
        """Start over, as after any motion."""
        self.expected_m = self.strained_m = self.swung_m = self.still_s = 0.0
        self._speed = self._output = self._swing = 0.0
        self._position = self._from = self._at_s = math.nan

    def look(
        self,
        telemetry: Telemetry,
        estimator: Estimator,
        force: float,
        force_error: float,
        torque: float,
        output_m_s2: float = 0.0,
    ) -> int:
        """Take this cycle's sample; return 0 or the ``Limit`` found.

        Args:
            force: true spring force as known for this rig, N.
            force_error: its largest error, N.
            torque: torque of the motor, in the profile's sign, N·m.
            output_m_s2: acceleration of the output by force and known load, m/s².
        """
        at_s = telemetry.time_s
        if at_s == self._at_s:
            return 0
        dt = at_s - self._at_s
        self._at_s = at_s
        position = telemetry.position_rad
        still = position == self._position and 0.0 < dt < LONGEST_GAP_S
        self._position = position
        if not still:
            self.expected_m = self.strained_m = self.swung_m = self.still_s = self._swing = 0.0
            self._from = estimator.deflection_m
            self._speed = estimator.nut_velocity_m_s
            self._output = estimator.output_velocity_m_s
            return 0
        self.still_s += dt
        net = torque * self._per_torque - force
        band = self._dry_N + self._loss * abs(force) + force_error
        if self._speed:
            band = math.copysign(band, self._speed)
            speed = self._speed + (net - band) / self._mass * dt
            self._speed = 0.0 if speed * self._speed < 0.0 else speed
        elif abs(net) > band:
            self._speed = (net - math.copysign(band, net)) / self._mass * dt
        self.expected_m += self._speed * dt
        self.strained_m = estimator.deflection_m - self._from + self._output * self.still_s
        self._swing += output_m_s2 * dt
        self.swung_m += self._swing * dt
        return Limit.MOTOR_SENSOR_FROZEN if self._followed(EXPECTED_M) else 0

    @property
    def likely(self) -> bool:
        """True if a force difference already seen is that of a frozen motor sensor."""
        return self._followed(LIKELY_M)

    def _followed(self, least_m: float) -> bool:
        """Return whether the springs show at least ``least_m`` of motion without a count."""
        expected = abs(self.expected_m)
        sense = math.copysign(1.0, self.expected_m)
        strained = sense * self.strained_m
        strained = min(strained, strained + sense * self.swung_m)
        strained -= 0.5 * OUTPUT_M_S2 * self.still_s * self.still_s
        return expected > least_m and strained > FOLLOWED_SHARE * expected

    def text(self) -> str:
        """Return one sentence with numbers for a frozen sensor."""
        return (
            f"the motor sensor did not change by one count for {1e3 * self.still_s:.0f} ms, while "
            f"torque would have moved the nut by {LENGTH(abs(self.expected_m)):.1f}{LENGTH} and the "
            f"deflection changed by {LENGTH(abs(self.strained_m)):.2f}{LENGTH}"
        )
