"""Mount of the deflection sensor: the share of a deflection that it follows or loses."""

from __future__ import annotations

import math

from drivers.simulated.parameters import RigParameters


class SensorMount:
    """Converter of a deflection to that at the sensor, in m.

    The sensor sticks within its hysteresis, slips on its shaft if forced beyond
    ``sensor_slips_beyond_m``, and saturates at ``sensor_range_m`` (0: neither).
    """

    def __init__(self, parameters: RigParameters, deflection_m: float) -> None:
        p = parameters
        self._half_m = 0.5 * p.sensor_hysteresis_m
        self._slips_m = p.sensor_slips_beyond_m or math.inf
        self._range_m = p.sensor_range_m or math.inf
        self._seen_m = deflection_m
        self._slipped_m = 0.0

    def follow(self, deflection_m: float) -> float:
        """Return the deflection that the sensor shows now, in m."""
        true, half, slips = deflection_m - self._slipped_m, self._half_m, self._slips_m
        if not -slips <= true <= slips:
            held = min(max(true, -slips), slips)
            self._slipped_m += true - held
            true = held
        self._seen_m = min(max(self._seen_m, true - half), true + half)
        return min(max(self._seen_m, -self._range_m), self._range_m)
