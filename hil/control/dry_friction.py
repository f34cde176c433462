"""Dry friction as a sine sees it, so that a linear model can include it.

To a sine of velocity amplitude V, Coulomb friction R is, at the sine's own frequency, a
viscous drag 4·R/(π·V): its describing function (Gelb and Vander Velde, Multiple-Input
Describing Functions and Nonlinear System Design, 1968, from memory). It grows as the motion
shrinks, so a bandwidth of a loop with friction holds for one amplitude only; it is
``bandwidth_amplitude`` here.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from hil.control.calibration import passive_bounds
from hil.control.force_model import Loop
from hil.profile import Profile

LEVEL_SHARE: Final = 0.5  # of the knee force, or of the force limit: mean force of the sines
AMPLITUDE_SHARE: Final = 0.5  # of the level, unless the profile says otherwise
HALF_POWER: Final = math.sqrt(0.5)


def sine_N(profile: Profile) -> tuple[float, float]:
    """Return (mean, amplitude) in N of the sines for which the force bandwidth is stated."""
    knee = passive_bounds(profile)[2]
    level = LEVEL_SHARE * min(knee, profile.limits.force.limited)
    return level, profile.control.bandwidth_amplitude or AMPLITUDE_SHARE * level


def friction_N(profile: Profile, level_N: float, share: float = 1.0) -> float:
    """Return ``share`` of the dry friction at the nut at a mean force, mean of both directions."""
    screw = profile.actuator.transmission
    loss = (1 / screw.efficiency_forward - 1 + 1 - screw.efficiency_backward) / 2
    coulomb = profile.actuator.friction.coulomb * profile.actuator.radians_per_metre
    return share * (coulomb + loss * abs(level_N))


def left_over_N(profile: Profile, level_N: float | None = None) -> float:
    """Return the dry friction that the feed-forward leaves to the loop, mean of both directions.

    Args:
        level_N: mean force of the springs; None for that of ``sine_N``.
    """
    level = sine_N(profile)[0] if level_N is None else level_N
    return friction_N(profile, level, 1 - profile.control.friction_compensation)


def drag(friction: float, velocity: float) -> float:
    """Return the drag in N·s/m of ``friction`` in N for a sine of ``velocity`` amplitude in m/s."""
    return 4 * friction / (math.pi * max(velocity, 1e-6))


def rubbed(loop: Loop, friction: float, velocity: float) -> Loop:
    """Return the loop with friction as its drag for a sine of ``velocity`` amplitude."""
    return replace(loop, plant=replace(loop.plant, unknown_viscous=drag(friction, velocity)))


def at_half_power(loop: Loop, friction: float, amplitude_N: float, frequency: float) -> Loop:
    """Return ``rubbed`` at ``frequency``, if the response has fallen to −3 dB there."""
    size = HALF_POWER * amplitude_N / loop.plant.stiffness
    return rubbed(loop, friction, 2 * math.pi * frequency * size)


def bandwidth_Hz(loop: Loop, friction: float, amplitude_N: float) -> float:
    """Return −3 dB of reference to deflection, for sines of ``amplitude_N`` against ``friction``.

    The highest frequency, below the bandwidth without friction, at which the response is −3 dB;
    there its velocity is known in advance, and so is the drag.
    """
    plain = loop.bandwidth_Hz()
    if friction <= 0.0:
        return plain

    def miss(frequency: float) -> float:
        at = at_half_power(loop, friction, amplitude_N, frequency)
        answer = at.response("deflection", "reference_m", np.array([frequency]))[0]
        return float(abs(answer)) - HALF_POWER

    above = plain
    for below in np.geomspace(plain, 0.1 * plain, 24)[1:]:
        if miss(float(below)) >= 0.0:
            low, high = float(below), float(above)
            for _ in range(14):
                middle = 0.5 * (low + high)
                low, high = (middle, high) if miss(middle) >= 0.0 else (low, middle)
            return low
        above = float(below)
    return float(above)
