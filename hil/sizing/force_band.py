"""Force over frequency with the output blocked: natural frequency and what limits a large sine.

A sine of force A needs a nut travel of A/k. The motor supplies the spring force and accelerates its
own reflected mass, A·(1 − (f/f_n)²); supply and screw must permit a nut speed of 2πf·A/k. Below
the amplitude at which one of them saturates a loop may follow, above it none can (Robinson,
Design and Analysis of Series Elasticity in Closed-loop Actuator Force Control, 2000, chapter on
saturation; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

GRID = 240  # frequencies tried for a bandwidth
LOWEST_HZ, HIGHEST_HZ = 0.1, 500.0


def natural_Hz(rate_N_m: float, mass_kg: float) -> float:
    """Return √(k/m)/2π."""
    return math.sqrt(rate_N_m / mass_kg) / (2 * math.pi)


@dataclass(frozen=True)
class ForceBand:
    """Bounds of a sine of force.

    Attributes:
        rate_N_m, mass_kg: spring at work and mass reflected to the nut.
        viscous_N_s_m: drag at the nut.
        motor_N: largest motor force at the nut, less friction.
        stall_N: motor force at the nut that the supply could drive at rest, (m·V/R)·kt·2π/lead.
        free_m_s: speed at which the motor's own voltage meets the supply.
        fastest_m_s: highest speed of the nut, by motor and screw.
        spring_N: largest force that the springs and their limit permit.
    """

    rate_N_m: float
    mass_kg: float
    viscous_N_s_m: float
    motor_N: float
    stall_N: float
    free_m_s: float
    fastest_m_s: float
    spring_N: float

    def most_N(self, frequency_Hz: float) -> tuple[float, str]:
        """Return the largest amplitude in N at a frequency, and what limits it."""
        omega = 2 * math.pi * frequency_Hz
        inertial = 1 - omega**2 * self.mass_kg / self.rate_N_m
        drag = omega * self.viscous_N_s_m / self.rate_N_m
        needed = math.hypot(inertial, drag)  # of motor force for one newton of spring force
        moved = omega / self.rate_N_m  # m/s for one newton
        # V = R·I + kt·ω: force and speed are a quarter turn apart, but for the drag.
        voltage = math.hypot(inertial / self.stall_N, drag / self.stall_N + moved / self.free_m_s)
        bounds = (
            (self.spring_N, "spring travel"),
            (self.motor_N / max(needed, 1e-12), "motor force"),
            (1 / max(voltage, 1e-12), "supply voltage"),
            (self.fastest_m_s / max(moved, 1e-12), "speed"),
        )
        return min(bounds)

    def bandwidth_Hz(self, amplitude_N: float) -> tuple[float, str]:
        """Return the frequency up to which a sine of this amplitude is possible, and its limit.

        0 if no frequency permits it, the highest one tried if all do.
        """
        below, ratio = 0.0, HIGHEST_HZ / LOWEST_HZ
        for i in range(GRID):
            frequency = LOWEST_HZ * ratio ** (i / (GRID - 1))
            most, why = self.most_N(frequency)
            if most < amplitude_N:
                if not below:
                    return 0.0, why
                low, high = below, frequency
                for _ in range(30):
                    middle = 0.5 * (low + high)
                    if self.most_N(middle)[0] < amplitude_N:
                        high = middle
                    else:
                        low = middle
                return low, self.most_N(high)[1]
            below = frequency
        return HIGHEST_HZ, ""
