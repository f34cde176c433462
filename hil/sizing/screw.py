"""Ball screw: torque, speed, critical speed and buckling. All in SI.

Critical speed and buckling are those of a uniform shaft of root
diameter (Euler and Bernoulli's beam, any handbook of machine elements).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

STEEL_DENSITY_KG_M3 = 7850.0  # carbon steel; common practice, no source
STEEL_MODULUS_PA = 206e9  # EN 13906-1, table of materials; from memory
# Shares of the computed value that are used; common practice, no source.
CRITICAL_SPEED_SHARE = 0.8
BUCKLING_SHARE = 0.5


@dataclass(frozen=True)
class Ends:
    """Bearings of a shaft: first root λ of the bending wave, factor of Euler's load."""

    bending_root: float
    euler: float


# First roots of cos λ·cosh λ = −1, sin λ = 0, tan λ = tanh λ and cos λ·cosh λ = 1; Euler's cases
# 1 to 4, the third being (π/0.6992)²/π².
ENDS = {
    "fixed_free": Ends(1.875104, 0.25),
    "supported_supported": Ends(math.pi, 1.0),
    "fixed_supported": Ends(3.926602, 2.0457),
    "fixed_fixed": Ends(4.730041, 4.0),
}


def shaft_rad_s(speed_m_s: float, lead_m: float) -> float:
    """Return the shaft's angular speed, ω = 2π·v/lead."""
    return 2 * math.pi * speed_m_s / lead_m


def torque_N_m(force_N: float, lead_m: float, efficiency: float) -> float:
    """Return the torque that pushes with a force, T = F·lead/(2π·η)."""
    return force_N * lead_m / (2 * math.pi * efficiency)


def holding_torque_N_m(force_N: float, lead_m: float, backward: float) -> float:
    """Return the torque that a load drives the shaft with, T = F·lead·η'/(2π)."""
    return force_N * lead_m * backward / (2 * math.pi)


def reflected_mass_kg(inertia_kg_m2: float, lead_m: float, nut_kg: float = 0.0) -> float:
    """Return the mass at the nut equivalent to inertia at the shaft, J·(2π/lead)² + nut."""
    return inertia_kg_m2 * (2 * math.pi / lead_m) ** 2 + nut_kg


def shaft_inertia_kg_m2(root_m: float, length_m: float) -> float:
    """Return the inertia of a solid steel shaft, J = ρ·π·d⁴·L/32."""
    return STEEL_DENSITY_KG_M3 * math.pi * root_m**4 * length_m / 32


def critical_rad_s(root_m: float, free_m: float, ends: Ends) -> float:
    """Return the first bending speed of a free length, ω = (λ/L)²·√(E·I/(ρ·A)).

    For a round shaft √(I/A) is a quarter of its diameter. Not reduced by a safety factor.
    """
    wave = (ends.bending_root / free_m) ** 2
    return wave * 0.25 * root_m * math.sqrt(STEEL_MODULUS_PA / STEEL_DENSITY_KG_M3)


def buckling_N(root_m: float, free_m: float, ends: Ends) -> float:
    """Return Euler's load of a free length, F = f·π²·E·I/L². Not reduced by a safety factor."""
    second_moment = math.pi * root_m**4 / 64
    return ends.euler * math.pi**2 * STEEL_MODULUS_PA * second_moment / free_m**2
