"""A hand that turns the screw at a speed, with limited force."""

from __future__ import annotations

import math
from typing import Final

FOLLOWS_S: Final = 0.02  # time constant of the hand's speed
LEANS_S: Final = 0.05  # time constant of its compensation of friction
LEANS_N_S: Final = 200.0  # rate of force on a screw at standstill
SLOWS_M_S2: Final = 0.3
ARRIVES_S: Final = 0.1
LETS_GO_M: Final = 5e-5
STANDS_M_S: Final = 1e-4
GIVES_UP_S: Final = 0.5


class TurningHand:
    """One movement of the nut by ``distance_m``, rod extension positive; all values at the nut.

    Attributes:
        done: it has released, on arrival or at too much resistance.
    """

    def __init__(
        self, start_m: float, distance_m: float, speed_m_s: float, most_N: float, mass_kg: float
    ) -> None:
        self.done = distance_m == 0.0
        self._goal_m = start_m + distance_m
        self._sense = math.copysign(1.0, distance_m)
        self._speed_m_s = speed_m_s
        self._most_N = most_N
        self._gain = mass_kg / FOLLOWS_S
        self._leaning_N = 0.0
        self._stood_s = 0.0

    def force_N(self, position_m: float, velocity_m_s: float, dt_s: float) -> float:
        """Return the force on the nut over the next ``dt_s``; 0 once done."""
        left = self._sense * (self._goal_m - position_m)
        if left < LETS_GO_M:
            self.done = True
        if self.done:
            return 0.0
        slowed = min(math.sqrt(2 * SLOWS_M_S2 * left), left / ARRIVES_S)
        wanted = self._sense * min(self._speed_m_s, slowed)
        error = wanted - velocity_m_s
        most = self._most_N
        grows = self._gain / LEANS_S * error
        if abs(velocity_m_s) < STANDS_M_S:
            grows += self._sense * LEANS_N_S
        self._leaning_N = min(max(self._leaning_N + grows * dt_s, -most), most)
        force = self._gain * error + self._leaning_N
        if abs(velocity_m_s) < STANDS_M_S and self._sense * force >= most:
            self._stood_s += dt_s
            self.done = self._stood_s > GIVES_UP_S
        else:
            self._stood_s = 0.0
        return min(max(force, -most), most)
