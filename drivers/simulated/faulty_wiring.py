"""Wiring between the deflection sensor and the drive's input, when it is faulty."""

from __future__ import annotations

import math
import random
from typing import Final

from drivers.simulated.parameters import RigParameters

# An open input picks up charge and mains hum; share of the range. Invented.
WANDER: Final = 0.18  # standard deviation
WANDER_S: Final = 1.5
HUM: Final = 0.02
HUM_Hz: Final = 50.0
FLOAT_NOISE_COUNTS: Final = 2.0
# How often a loose contact opens, in 1/s, and for how long. Invented.
LOOSE_AT_REST: Final = 0.1
LOOSE_MOVING: Final = 2.0
LOOSE_WIGGLED: Final = 30.0
LOOSE_S: Final = 0.003
MOVING_M_S: Final = 0.002


class FaultyWiring:
    """Converter of the sensor's counts to those received; deterministic from a seed."""

    def __init__(self, parameters: RigParameters, seed: int) -> None:
        p = parameters
        self._wiring = p.sensor_wiring
        self._loose = p.sensor_loose
        self._chance = random.Random(f"wiring {seed}")
        self._top = (1 << int(p.sensor_bits)) - 1
        self._held: int | None = None
        self._level = self._chance.gauss(0.0, WANDER)
        self._time_s = 0.0
        self._open_left_s = 0.0

    def read(self, counts: int, dt_s: float, speed_m_s: float, wiggled: bool) -> int:
        """Return the counts received at the input of the sensor."""
        wiring = self._wiring
        if wiring == "top":
            return self._top
        if wiring == "shorted":
            return 0
        if wiring == "frozen":
            if self._held is None:
                self._held = counts
            return self._held
        if wiring == "open":
            return self._floating(dt_s)
        if self._loose and self._opened(dt_s, speed_m_s, wiggled):
            return 0
        return counts

    def _floating(self, dt_s: float) -> int:
        chance = self._chance
        stays = math.exp(-dt_s / WANDER_S)
        self._level = stays * self._level + chance.gauss(
            0.0, WANDER * math.sqrt(1.0 - stays * stays)
        )
        self._time_s += dt_s
        share = 0.5 + self._level + HUM * math.sin(2 * math.pi * HUM_Hz * self._time_s)
        counts = share * self._top + chance.gauss(0.0, FLOAT_NOISE_COUNTS)
        return min(max(round(counts), 0), self._top)

    def _opened(self, dt_s: float, speed_m_s: float, wiggled: bool) -> bool:
        self._open_left_s -= dt_s
        if self._open_left_s > 0.0:
            return True
        moving = abs(speed_m_s) > MOVING_M_S
        rate = LOOSE_WIGGLED if wiggled else LOOSE_MOVING if moving else LOOSE_AT_REST
        if self._chance.random() >= -math.expm1(-rate * dt_s):
            return False
        self._open_left_s = self._chance.expovariate(1.0 / LOOSE_S)
        return True
