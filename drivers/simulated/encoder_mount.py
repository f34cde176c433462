"""Mount of the motor's encoder on its shaft: firm, slipping under torque, or without signal."""

from __future__ import annotations

import math
from typing import Final

from drivers.simulated.parameters import RigParameters

SLIPS_RAD_S: Final = 1.5  # while the torque exceeds the clamp's hold; invented


class EncoderMount:
    """Angle by which the encoder has slipped on the shaft.

    Attributes:
        silent: no counts. slipped_rad: added to the shaft's angle.
    """

    def __init__(self, parameters: RigParameters) -> None:
        p = parameters
        self.silent = p.encoder_silent
        self.slipped_rad = 0.0
        self._angle_rad = 0.0
        self._holds_N_m = p.encoder_slips_above_N_m or math.inf

    def load(self, torque_N_m: float, dt_s: float) -> None:
        """Apply a motor torque for ``dt_s``."""
        if abs(torque_N_m) > self._holds_N_m:
            self.slipped_rad += math.copysign(SLIPS_RAD_S * dt_s, torque_N_m)

    def turn(self, angle_rad: float, lost: float) -> None:
        """Follow the shaft to this angle; ``lost`` is the share of motion not counted."""
        if lost:
            self.slipped_rad -= lost * (angle_rad - self._angle_rad)
        self._angle_rad = angle_rad
