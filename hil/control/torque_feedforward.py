"""Torque added to that of a drive's own loop: the change of the desired force.

See ``hil.control.velocity_model``. What the drive's integral takes over is left out, so at rest
nothing is fed forward: neither start nor stop is a step of torque.
"""

from __future__ import annotations

import math

from hil.control.velocity_design import VelocityGains
from hil.control.velocity_model import washed_out
from hil.profile import Profile

NAN = float("nan")


class TorqueFeedforward:
    """Feed-forward of one force loop; 0 unless a behaviour acts on a new sample.

    Attributes:
        torque_N_m: latest torque, of the motor, profile sign.
    """

    def __init__(self, profile: Profile, gains: VelocityGains) -> None:
        self._share = gains.law.torque_share
        self._corner_rad_s = gains.plant.washout_rad_s
        self._gear = 1 / profile.actuator.radians_per_metre
        self.reset()

    def reset(self) -> None:
        """Feed nothing forward; begin again with the next desired force."""
        self._carried_N = NAN
        self.torque_N_m = 0.0

    def torque(
        self,
        desired_force_N: float,
        measured_N_m: float,
        low_N_m: float,
        high_N_m: float,
        dt_s: float,
        fresh: bool,
    ) -> float:
        """Return the torque in N·m, with which that of the drive stays within ``low`` to ``high``.

        Args:
            desired_force_N: shaped, of the springs.
            measured_N_m: torque of the drive, the latest feed-forward included; NaN if unknown.
            low_N_m, high_N_m: caps on the motor torque. dt_s: of this cycle.
            fresh: a new sample arrived; without one nothing is fed forward.
        """
        if not math.isfinite(desired_force_N):
            self.reset()
            return 0.0
        carried = self._carried_N
        if not math.isfinite(carried):
            carried = desired_force_N
        change, self._carried_N = washed_out(desired_force_N, carried, self._corner_rad_s * dt_s)
        own = measured_N_m - self.torque_N_m  # of the drive's loop itself
        if not math.isfinite(own):
            own = 0.0
        # Room that its loop leaves; a loop at its limit is neither helped nor opposed.
        high = max(0.0, min(high_N_m, high_N_m - own))
        low = min(0.0, max(low_N_m, low_N_m - own))
        torque = max(low, min(high, self._share * change * self._gear)) if fresh else 0.0
        self.torque_N_m = torque
        return torque
