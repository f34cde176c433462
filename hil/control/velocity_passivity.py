"""Passivity of a velocity- or position-sourced force loop, continuous and without delay.

See ``hil.control.velocity_model`` for the derivation.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import Polynomial

from hil.control.velocity_model import VelocityLaw, VelocityPlant

CEILING_ROUNDS = 20


def most_passive_integral(plant: VelocityPlant, proportional_1_s: float) -> float:
    """Return the largest I in 1/s² with which the loop without virtual spring is passive."""
    inner = proportional_1_s * (plant.loop_rad_s - plant.integral_rad_s)
    return inner + plant.stiffness / plant.mass


def real_part(
    plant: VelocityPlant, law: VelocityLaw, stiffness_N_m: float, feedforward: float = 0.0
) -> Polynomial:
    """Return Re(N·D*) of F/(−v_o), whose sign is that of the real part, over (ω/ω_v)²."""
    product = [_on_axis(each) for each in _fractions(plant, law, stiffness_N_m, feedforward)]
    real = product[0][0] * product[1][0] + product[0][1] * product[1][1]
    # In units of ω_v the coefficients are of similar size, so that rounding can be recognised.
    even = real.coef[::2]
    scale = np.power(plant.loop_rad_s, 2.0 * np.arange(len(even)))
    return Polynomial(np.asarray(even, dtype=np.float64) * scale)


def _fractions(
    plant: VelocityPlant, law: VelocityLaw, stiffness_N_m: float, feedforward: float = 0.0
) -> tuple[Polynomial, Polynomial]:
    """Return numerator and denominator of F/(−v_o)."""
    s = Polynomial([0.0, 1.0])
    b = plant.mass * plant.loop_rad_s * (s + plant.integral_rad_s)
    a = plant.mass * s**2 + b
    q = (law.proportional_1_s * s + law.integral_1_s2) / plant.stiffness
    over = (a - feedforward * b) * s**2 + b * q * stiffness_N_m
    under = s * (a * s**2 / plant.stiffness + b * q + s**2)
    if law.torque_share > 0.0:
        washout = s + plant.washout_rad_s
        fed = law.torque_share * stiffness_N_m * s**3
        return over * washout + fed, under * washout
    return over, under


def passive_stiffness(plant: VelocityPlant, law: VelocityLaw) -> float:
    """Return the stiffest virtual spring in N/m with which the loop is passive; 0 if none is.

    Passive means stable with any passive environment at the output, so also with it blocked.
    """
    none = real_part(plant, law, 0.0)
    each = (real_part(plant, law, plant.stiffness) - none) / plant.stiffness  # it is linear in K
    low, high = 0.0, plant.stiffness
    poles = _fractions(plant, law, 0.0)[1].roots()
    if np.max(poles.real) > 1e-9 * np.max(np.abs(poles)) or not _never_negative(none):
        return 0.0
    if _never_negative(none + each * high):
        return high
    for _ in range(CEILING_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _never_negative(none + each * middle) else (low, middle)
    return low


def passive_feedforward(plant: VelocityPlant, law: VelocityLaw, stiffness_N_m: float) -> float:
    """Return the largest α with which a virtual stiffness is passive; 0 if none is."""
    without = real_part(plant, law, stiffness_N_m)
    each = real_part(plant, law, stiffness_N_m, 1.0) - without  # it is linear in α
    low, high = 0.0, 1.0
    for _ in range(CEILING_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _never_negative(without + each * middle) else (low, middle)
    return low


def _on_axis(polynomial: Polynomial) -> tuple[Polynomial, Polynomial]:
    """Return real and imaginary part at s = jω, as polynomials in ω."""
    turned = polynomial.coef * np.array([1, 1j, -1, -1j])[np.arange(len(polynomial.coef)) % 4]
    return Polynomial(turned.real), Polynomial(turned.imag)


def _never_negative(in_square: Polynomial) -> bool:
    """Return whether a polynomial is nowhere below 0 for positive arguments, except for rounding."""
    coefficients = np.trim_zeros(in_square.coef)  # factors of ω² do not change the sign
    largest = float(np.max(np.abs(coefficients)))
    kept = np.where(np.abs(coefficients) < 1e-12 * largest, 0.0, coefficients)
    if not len(kept) or np.all(kept >= 0.0):
        return True
    roots = Polynomial(kept).roots()
    positive = np.sort(roots.real[(np.abs(roots.imag) < 1e-9 * np.abs(roots)) & (roots.real > 0)])
    marks = np.concatenate([[0.0], positive, [2.0 * positive[-1] if len(positive) else 1.0]])
    between = 0.5 * (marks[:-1] + marks[1:])
    probes = np.concatenate([between, [1.5 * marks[-1]]])
    return bool(np.all(Polynomial(kept)(probes) >= 0.0))
