"""Identification of the plant: mass, damping, friction and delay from records of sliding motion.

Dry friction biases the mass of a frequency response: a nut that sticks at each reversal looks 5 to
10 % heavier (seen on the simulated rig). Only stretches in which it slides one way are used here.
Each is weighted with smooth bumps φ that vanish at their ends, and integrated by parts, so that no
measured velocity is ever differentiated (modulating functions; Shinbrot, Trans. ASME 79, 1957,
from memory):

    ∫φ·u = −m·∫φ'·x' + b·∫φ·x' + R·sign(v)·∫φ + g₊·∫φ·F (extending) or g₋·∫φ·F (retracting) + c·∫φ

with the motor force u = 2π/lead·torque and the force F of the springs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.characteristic import Floats
from hil.measure.response import Complex

# In Stribeck speeds: above it the rise of friction towards standstill has died away.
CLEAR_OF_STRIBECK = 4.0
FEWEST_SAMPLES = 16  # of one bump; no source
PLACES = (0.0, 0.25, 0.5)  # where bumps of half a stretch begin
PARAMETERS = 6
EQUATIONS_EACH = 5  # equations per parameter, at least; no source


@dataclass(frozen=True)
class Motion:
    """One record: times in s, nut in m, its velocity in m/s, motor and spring force in N.

    ``motor_N`` is the force at each sample, at the end of the period over which it was held.
    """

    time_s: Floats
    nut_m: Floats
    velocity_m_s: Floats
    motor_N: Floats
    spring_N: Floats


@dataclass(frozen=True)
class Identified:
    """Plant in SI: mass kg, viscous N·s/m, dry N, gains of the spring force both ways, offset N."""

    mass: float
    viscous: float
    dry: float
    gain_extending: float
    gain_retracting: float
    offset: float


def stretches(velocity_m_s: Floats, least_m_s: float) -> list[tuple[int, int, float]]:
    """Return (first, one past the last, sense) of each stretch that slides faster one way."""
    found = []
    for sense in (1.0, -1.0):
        fast = np.concatenate([[False], sense * velocity_m_s > least_m_s, [False]])
        edges = np.nonzero(np.diff(fast.astype(int)))[0]
        found += [(int(a), int(b), sense) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    return sorted(found)


def equations(motion: Motion, least_m_s: float, lag_s: float) -> tuple[Floats, Floats]:
    """Return the rows (n, 6) and the left sides (n,) in N of one record.

    Args:
        motion: the record.
        least_m_s: slower stretches are left out.
        lag_s: time constant of the current loop, with which a held torque is reached.
    """
    rows: list[list[float]] = []
    left: list[float] = []
    for first, last, sense in stretches(motion.velocity_m_s, least_m_s):
        length = last - first
        for place in PLACES:
            begin = first + int(place * length)
            part = slice(begin, begin + length // 2)
            t = motion.time_s[part]
            if len(t) < FEWEST_SAMPLES:
                continue
            row, value = _equation(motion, part, sense, lag_s)
            rows.append(row)
            left.append(value)
    return np.array(rows).reshape(-1, PARAMETERS), np.array(left)


def _equation(motion: Motion, part: slice, sense: float, lag_s: float) -> tuple[list[float], float]:
    t, x = motion.time_s[part], motion.nut_m[part]
    s = (t - t[0]) / float(t[-1] - t[0])
    dt, step = np.diff(t), np.diff(x)
    # Fourth power: with the fewest samples, sums equal the integrals to 1e-4.
    bump = (s * (1 - s)) ** 4
    middle = 0.5 * (s[1:] + s[:-1])
    weight = (middle * (1 - middle)) ** 4
    whole = float(np.sum(weight * dt))
    spring = motion.spring_N[part]
    force = float(np.sum(weight * 0.5 * (spring[1:] + spring[:-1]) * dt)) / whole
    # The torque was held over the period before each sample, apart from the lag of its loop.
    u = motion.motor_N[part]
    decay = np.exp(-dt / lag_s)
    now = (1 - lag_s / dt * (1 - decay)) / (1 - decay)
    motor = float(np.sum(weight * (now * u[1:] + (1 - now) * u[:-1]) * dt)) / whole
    row = [
        -float(np.sum(np.diff(bump) * step / dt)) / whole,
        float(np.sum(weight * step)) / whole,
        sense,
        force if sense > 0 else 0.0,
        force if sense < 0 else 0.0,
        1.0,
    ]
    return row, motor


def identify(rows: Floats, left: Floats) -> Identified:
    """Return the least-squares plant.

    Raises:
        ValueError: too few equations, or motion that does not separate the parameters.
    """
    if len(left) < EQUATIONS_EACH * PARAMETERS:
        raise ValueError(f"{len(left)} stretches of sliding motion: too few to identify the plant")
    scale = np.maximum(np.sqrt(np.mean(rows**2, axis=0)), 1e-12)
    found, _, rank, _ = np.linalg.lstsq(rows / scale, left, rcond=1e-9)
    if rank < PARAMETERS:
        raise ValueError("the motion does not separate mass, damping and friction")
    return Identified(*(found / scale).tolist())


def command_delay_s(
    frequencies_Hz: Floats, command: Complex, torque: Complex, period_s: float, lag_s: float
) -> float:
    """Return the time from a sample to the moment its command acts, from rows of coefficients.

    ``torque`` is reported at the end of the period over which ``command`` was held: one period and
    the current loop's lag at that moment are subtracted. Weighted least squares of the phase of
    the cross spectrum, which must not turn by more than half a turn from line to line.
    """
    cross = np.sum(np.conj(command) * torque, axis=0)
    phase = np.unwrap(np.angle(cross))
    w = 2 * math.pi * frequencies_Hz
    weight = np.abs(cross)
    slope = float(np.sum(weight * w * phase) / np.sum(weight * w * w))
    decay = math.exp(-period_s / lag_s)
    return -slope - period_s - period_s * decay / (1 - decay)
