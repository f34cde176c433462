"""Figures of a seek for the reference: speed, forces and torque gentle enough for a rig."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.control.calibration import ForceCalibration
from hil.core import Commission
from hil.profile import Profile, holding_force

RISE_SHARE = 0.05  # of the rated force; common practice, no source
FASTEST_M_S = 0.008  # an output that swings at twice that speed still meets an end below 20 mm/s
MOMENTUM_SHARE = 0.04  # of the rated force: share for the nut's momentum
OVER_FRICTION = 2.0  # of the break-away torque: a screw with half more friction still turns
OVER_LOAD = 1.3  # of the bare rig's weight and an end's force
LEAST_FRICTION_SHARE = 0.02  # of the rated torque, where the profile states no friction


@dataclass(frozen=True)
class SeekFigures:
    """Speed, forces and torque of a seek for one profile; SI, all positive.

    Attributes:
        speed_m_s: speed of the nut.
        rise_N: rise of the spring force at an end.
        weight_N: largest weight of the bare rig on the rod.
        force_N: spring force that ends a seek.
        torque_N_m: largest of the motor.
    """

    speed_m_s: float
    rise_N: float
    weight_N: float
    force_N: float
    torque_N_m: float

    @property
    def envelope(self) -> Commission:
        """Restricted operation for a seek, under hold-to-run."""
        return Commission(
            force_N=self.force_N, speed_m_s=4.0 * self.speed_m_s, torque_N_m=self.torque_N_m
        )


def seek_figures(profile: Profile) -> SeekFigures:
    """Return the figures of a seek: the profile's own, or gentle ones for its rig."""
    actuator, stated = profile.actuator, profile.reference
    motor, rated_N = actuator.motor, profile.limits.force.limited
    friction = max(
        actuator.friction.breakaway,
        actuator.friction.coulomb,
        LEAST_FRICTION_SHARE * motor.torque_constant * motor.continuous_current,
    )
    rate = ForceCalibration(profile.calibration, profile.sensors.deflection).stiffness(0.0)
    # A mass m stopped by a spring k from speed v presses it with v·√(k·m).
    slow = MOMENTUM_SHARE * rated_N / math.sqrt(rate * actuator.reflected_mass)
    rise_N = stated.seek_force or RISE_SHARE * rated_N
    weight_N = holding_force(profile, 0.0)
    return SeekFigures(
        speed_m_s=stated.seek_speed or min(FASTEST_M_S, slow),
        rise_N=rise_N,
        weight_N=weight_N,
        force_N=OVER_LOAD * weight_N + 3.0 * rise_N,
        torque_N_m=OVER_FRICTION * friction
        + OVER_LOAD * (weight_N + rise_N) / actuator.radians_per_metre,
    )


def repeatability(positions_m: list[float]) -> float:
    """Return R = 4·s in m of positions reached from one side (ISO 230-2); NaN for fewer than 2."""
    count = len(positions_m)
    if count < 2:
        return math.nan
    mean = sum(positions_m) / count
    return 4.0 * math.sqrt(sum((x - mean) ** 2 for x in positions_m) / (count - 1))
