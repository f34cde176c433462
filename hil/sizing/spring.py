"""Helical compression springs of round wire by EN 13906-1. All in SI.

Formulas are from memory of EN 13906-1:2013 and agree with the worked examples in the checks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

# Shear and elastic modulus of patented cold drawn wire (EN 10270-1), from memory.
SHEAR_MODULUS_PA = 81.5e9
ELASTIC_MODULUS_PA = 206e9
DENSITY_KG_M3 = 7850.0  # of spring steel; EN 13906-1, from memory
SOLID_STRESS_SHARE = 0.56  # of the tensile strength, cold coiled, at solid length; EN 13906-1
DEAD_COILS = 2.0  # two closed ends; EN 13906-1
SURGE_TIMES = 13.0  # of the working frequency, below which coils surge; common practice, no source


@dataclass(frozen=True)
class CoiledWire:
    """Round wire of a spring: wire and mean coil diameter in m, active coils."""

    wire_m: float
    coil_m: float
    active: float

    @property
    def index(self) -> float:
        """Coil over wire diameter, w = D/d."""
        return self.coil_m / self.wire_m


@dataclass(frozen=True)
class Coil(CoiledWire):
    """Compression spring; ``free_m`` is its length without load."""

    free_m: float
    ground: bool = True
    shear_modulus_Pa: float = SHEAR_MODULUS_PA
    elastic_modulus_Pa: float = ELASTIC_MODULUS_PA

    @property
    def rate_N_m(self) -> float:
        """R = G·d⁴/(8·D³·n)."""
        return self.shear_modulus_Pa * self.wire_m**4 / (8 * self.coil_m**3 * self.active)

    @property
    def solid_m(self) -> float:
        """Solid length: n_t·d with ground ends, (n_t + 1.5)·d without; n_t = n + 2."""
        coils = self.active + DEAD_COILS
        return (coils if self.ground else coils + 1.5) * self.wire_m

    @property
    def gaps_m(self) -> float:
        """Least sum of gaps between coils, S_a = n·(0.0015·D²/d + 0.1·d), cold coiled."""
        return self.active * (0.0015 * self.coil_m**2 / self.wire_m + 0.1 * self.wire_m)

    @property
    def most_travel_m(self) -> float:
        """Compression up to the least permitted length, L_n = L_c + S_a."""
        return self.free_m - self.solid_m - self.gaps_m

    @property
    def solid_travel_m(self) -> float:
        """Compression at which the coils touch."""
        return self.free_m - self.solid_m

    @property
    def surge_Hz(self) -> float:
        """First natural frequency of the coils between held ends, d/(2π·n·D²)·√(G/(2ρ))."""
        wave = math.sqrt(self.shear_modulus_Pa / (2 * DENSITY_KG_M3))
        return self.wire_m / (2 * math.pi * self.active * self.coil_m**2) * wave

    def stress_Pa(self, force_N: float) -> float:
        """Return the uncorrected shear stress, τ = 8·D·F/(π·d³): that of a static load."""
        return 8 * self.coil_m * force_N / (math.pi * self.wire_m**3)

    def corrected_stress_Pa(self, force_N: float) -> float:
        """Return k·τ with EN 13906-1's k = (w + 0.5)/(w − 0.75): that of a load that changes."""
        return correction(self.index) * self.stress_Pa(force_N)

    def buckling_travel_m(self, seating: float = 0.5) -> float:
        """Return the compression at which the spring buckles; infinite if it never does.

        Args:
            seating: ν of EN 13906-1: 0.5 between guided plates, 1 between hinged ones.
        """
        ratio = self.shear_modulus_Pa / self.elastic_modulus_Pa
        slender = math.pi * self.coil_m / (seating * self.free_m)
        root = 1 - (1 - ratio) / (0.5 + ratio) * slender**2
        if root < 0:
            return math.inf
        return self.free_m * 0.5 / (1 - ratio) * (1 - math.sqrt(root))


def correction(index: float) -> float:
    """Return EN 13906-1's stress correction, k = (w + 0.5)/(w − 0.75)."""
    return (index + 0.5) / (index - 0.75)


def wahl(index: float) -> float:
    """Return Wahl's stress correction, K = (4w − 1)/(4w − 4) + 0.615/w; from memory."""
    return (4 * index - 1) / (4 * index - 4) + 0.615 / index


class Windable(Protocol):
    """A spring of a set, in N and m of the output."""

    @property
    def rate_N_m(self) -> float: ...
    @property
    def most_travel_m(self) -> float: ...
    @property
    def solid_travel_m(self) -> float: ...
    @property
    def surge_Hz(self) -> float: ...
    def stress_Pa(self, force_N: float) -> float: ...
    def corrected_stress_Pa(self, force_N: float) -> float: ...


@dataclass(frozen=True)
class OpposedSets:
    """Two sets that push against each other, each of ``count`` equal springs side by side.

    Both work up to a deflection equal to ``preload_m``; beyond it one is slack.
    """

    coil: Windable
    count: int
    preload_m: float

    @property
    def rate_N_m(self) -> float:
        """Rate of one set."""
        return self.count * self.coil.rate_N_m

    @property
    def inner_N_m(self) -> float:
        """Rate at the output up to the knee: both sets, or one if there is no preload."""
        return (2.0 if self.preload_m > 0 else 1.0) * self.rate_N_m

    @property
    def knee_N(self) -> float:
        """Force at which one set goes slack."""
        return 2.0 * self.rate_N_m * self.preload_m

    def deflection_m(self, force_N: float) -> float:
        """Return the deflection under a force, without sign."""
        force = abs(force_N)
        if force <= self.knee_N:
            return force / (2.0 * self.rate_N_m)
        return force / self.rate_N_m - self.preload_m

    def force_N(self, deflection_m: float) -> float:
        """Return the force at a deflection, without sign."""
        size = abs(deflection_m)
        return self.rate_N_m * (size + min(size, self.preload_m))

    def coil_force_N(self, force_N: float) -> float:
        """Return the force in each spring of the loaded set."""
        return self.coil.rate_N_m * (self.preload_m + self.deflection_m(force_N))

    @property
    def most_deflection_m(self) -> float:
        """Deflection at the least permitted length of the loaded set."""
        return self.coil.most_travel_m - self.preload_m

    @property
    def solid_deflection_m(self) -> float:
        """Deflection at which the coils of the loaded set touch."""
        return self.coil.solid_travel_m - self.preload_m
