"""Predicted response of the designed force loop to a random signal, with dry friction."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from hil.control import Loop, design_over_torque, left_over_N, moved_mass, observer_gains
from hil.measure.characteristic import Floats
from hil.measure.response import Complex, Multisine
from hil.profile import Profile

COMMAND_DELAY_CYCLES = 1.0  # from a sample to its command; most drives apply it a cycle later
ROUNDS = 6
MEAN_OVER_SIGMA = math.sqrt(2 / math.pi)  # of the size of a Gaussian value
MASS_KNOWN = 0.05  # of the stated reflected mass, expanded; common practice, no source
FRICTION_KNOWN = 0.3  # relative uncertainty of friction; common practice, no source


@dataclass(frozen=True)
class DesignedLoop:
    """Designed loop with the output blocked, friction approximated by an equivalent drag.

    ``loss`` is friction over the mean size of the force, in addition to ``friction_N``.
    """

    loop: Loop
    friction_N: float
    loss: float = 0.0

    @classmethod
    def of(cls, profile: Profile) -> DesignedLoop:
        """Design the loop as the bench does. Takes about 60 ms the first time."""
        period = 1.0 / profile.control.rate
        gains = design_over_torque(profile, period, COMMAND_DELAY_CYCLES * period)
        loop = Loop(gains.plant, gains.law, observer_gains(profile, period))
        return cls(loop, left_over_N(profile))

    @classmethod
    def free(cls, profile: Profile, mass_factor: float = 1.0) -> DesignedLoop:
        """Design the same loop, on a balanced output that is free to move: its force is about 0."""
        blocked = cls.of(profile).loop
        plant = replace(blocked.plant, output_mass=mass_factor * moved_mass(profile)[0])
        still_N = left_over_N(profile, 0.0)
        return cls(replace(blocked, plant=plant), still_N, left_over_N(profile, 1.0) - still_N)

    @property
    def smoothing(self) -> float:
        return self.loop.law.shaping

    def response(self, wave: Multisine, at_Hz: Floats, friction_factor: float = 1.0) -> Complex:
        """Return the response of force to setpoint at ``at_Hz`` while ``wave`` (in N) is the setpoint.

        For a Gaussian velocity of the nut of standard deviation σ, Coulomb friction R acts as a drag
        of R·√(2/π)/σ (Gelb and Vander Velde, 1968, from memory). On a free output the nut moves with
        it, much faster than the springs deflect. The mean size of a Gaussian force is √(2/π)·σ.
        """
        loop = self.loop
        for _ in range(ROUNDS):
            sizes = np.abs(loop.response("deflection", "reference_m", wave.frequencies_Hz))
            force = MEAN_OVER_SIGMA * _sigma(sizes * wave.sizes)
            friction = friction_factor * (self.friction_N + self.loss * force)
            sigma = _sigma(_nut_speed(loop, wave.frequencies_Hz) * wave.sizes)
            drag = friction * MEAN_OVER_SIGMA / max(sigma / loop.plant.stiffness, 1e-6)
            loop = replace(self.loop, plant=replace(self.loop.plant, unknown_viscous=drag))
        return loop.response("deflection", "reference_m", at_Hz)

    def smoothed(self, at_Hz: Floats) -> Complex:
        """Return the part of the response ahead of the loop: smoothing of the setpoint."""
        turn = np.exp(-2j * math.pi * at_Hz * self.loop.plant.period_s)
        share = self.smoothing
        return np.asarray(share / (1 - (1 - share) * turn))


def _sigma(sizes: Floats) -> float:
    """Return the standard deviation of a sum of sines of these sizes."""
    return math.sqrt(0.5 * float(np.sum(sizes**2)))


def _nut_speed(loop: Loop, at_Hz: Floats) -> Floats:
    """Return the size of the nut's velocity for a reference of 1 m: springs and output move it."""
    rate = 2j * math.pi * at_Hz * loop.response("deflection", "reference_m", at_Hz)
    return np.asarray(np.abs(rate + loop.response("output_velocity", "reference_m", at_Hz)))


def saturation_N(
    profile: Profile, at_Hz: Floats, offset_N: float, designed: DesignedLoop
) -> Floats:
    """Return the largest force sine about ``offset_N`` at each frequency, the output blocked.

    The lowest of the bounds by torque, speed, force rate and force limit: a motor force F + m·s²·δ
    at the drive's peak current, v = 2πf·F/k, and 2πf·F.
    """
    actuator, limits = profile.actuator, profile.limits
    loop = designed.loop
    w = 2 * math.pi * at_Hz
    stiffness = loop.plant.stiffness
    motor = limits.current.limited * actuator.motor.torque_constant * actuator.radians_per_metre
    per_force = np.abs(1 - w**2 * actuator.reflected_mass / stiffness)
    torque = np.maximum(motor - abs(offset_N), 0.0) / np.maximum(per_force, 1e-3)
    speed = limits.speed.limited * stiffness / w
    rate = limits.force_rate.limited / w
    force = np.full_like(w, limits.force.limited - abs(offset_N))
    return np.asarray(np.minimum.reduce([torque, speed, rate, force]))
