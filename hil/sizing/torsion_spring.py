"""Helical torsion springs of round wire by EN 13906-3. All in SI.

Formulas are from memory of EN 13906-3:2014. Legs are taken as stiff: deflection in them adds to
that of the coils. Springs are wound up only, never opened. The attributes of :class:`TorsionCoil` in
m and N are along the arc of the joint, ``drivers.motion.ARC_RADIUS_M``, so that opposed sets are
computed as those of compression springs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.motion import ARC_RADIUS_M
from hil.sizing.spring import DENSITY_KG_M3, ELASTIC_MODULUS_PA, CoiledWire

STATIC_STRESS_SHARE = 0.7  # of the tensile strength, bending at rest; EN 13906-3
MANDREL_SHARE = 0.95  # of the inner diameter of the wound spring: recommended mandrel; EN 13906-3


@dataclass(frozen=True)
class TorsionCoil(CoiledWire):
    """Torsion spring; its coil diameter and active coils are those without load."""

    mandrel_m: float  # diameter
    tensile_Pa: float
    elastic_modulus_Pa: float = ELASTIC_MODULUS_PA

    @property
    def rate_N_m_rad(self) -> float:
        """R = E·d⁴/(64·D·n) in N·m/rad, which is E·d⁴/(3667·D·n) for each degree."""
        return self.elastic_modulus_Pa * self.wire_m**4 / (64 * self.coil_m * self.active)

    @property
    def rate_N_m(self) -> float:
        """The same along the arc, R/r²."""
        return self.rate_N_m_rad / ARC_RADIUS_M**2

    def inner_m(self, angle_rad: float) -> float:
        """Return the inner diameter when wound up by an angle, D·n/(n + φ/2π) − d."""
        coils = self.active + angle_rad / (2 * math.pi)
        return self.coil_m * self.active / coils - self.wire_m

    def _angle_to(self, inner_m: float) -> float:
        """Return the angle in rad at which the inner diameter is this."""
        return 2 * math.pi * self.active * (self.coil_m / (inner_m + self.wire_m) - 1)

    @property
    def most_travel_m(self) -> float:
        """Winding, as an arc, up to the permitted bending at rest or 0.95 of the mandrel's room."""
        torque = STATIC_STRESS_SHARE * self.tensile_Pa * math.pi * self.wire_m**3 / 32
        room = self._angle_to(self.mandrel_m / MANDREL_SHARE)
        return min(torque / self.rate_N_m_rad, room) * ARC_RADIUS_M

    @property
    def solid_travel_m(self) -> float:
        """Winding, as an arc, at which the coils close on the mandrel."""
        return self._angle_to(self.mandrel_m) * ARC_RADIUS_M

    @property
    def body_m(self) -> float:
        """Length of the body without load, coils touching: (n + 1.5)·d."""
        return (self.active + 1.5) * self.wire_m

    @property
    def surge_Hz(self) -> float:
        """First natural frequency of the coils between held ends, d/(4π·n·D²)·√(E/ρ).

        A wire of length π·D·n bends with E·I and turns about the axis with ρ·A·D²/4 for each metre,
        a wave whose half length is the wire's.
        """
        wave = math.sqrt(self.elastic_modulus_Pa / DENSITY_KG_M3)
        return self.wire_m / (4 * math.pi * self.active * self.coil_m**2) * wave

    def stress_Pa(self, force_N: float) -> float:
        """Return the bending stress of a force along the arc, σ = 32·T/(π·d³): at rest."""
        return 32 * force_N * ARC_RADIUS_M / (math.pi * self.wire_m**3)

    def corrected_stress_Pa(self, force_N: float) -> float:
        """Return q·σ with EN 13906-3's q = (w + 0.07)/(w − 0.75): of a load that changes."""
        return bending_correction(self.index) * self.stress_Pa(force_N)


def bending_correction(index: float) -> float:
    """Return EN 13906-3's stress correction, q = (w + 0.07)/(w − 0.75)."""
    return (index + 0.07) / (index - 0.75)


def curved_beam(index: float) -> float:
    """Return the inner-fibre correction of a curved beam, (4w² − w − 1)/(4w·(w − 1)).

    Wahl, as in Shigley's Mechanical Engineering Design, torsion springs; from memory.
    """
    return (4 * index**2 - index - 1) / (4 * index * (index - 1))
