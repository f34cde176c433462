"""Moves with a weight: permitted weights, their speed, expected efficiency and power."""

from __future__ import annotations

import math

import numpy as np

from hil.control import moved_mass
from hil.measure.guarded import MOVE_S
from hil.profile import Profile

ROOM_SHARE = 0.65  # of the travel: the position loop overshoots at the end of a move
SPEED_SHARE = 0.9  # of the limit, at most
FORCE_SHARE = 0.75  # of the limit: weight and its acceleration; the rest is for the loop
SHARPEST = 5.77  # way over time squared: peak acceleration of a minimum-jerk move
FASTEST = 1.875  # way over time: its peak speed


def weights_lifted(profile: Profile) -> list[tuple[float, float, float]]:
    """Return mass in kg, force at the rod in N, speed in m/s of each weight that may be lifted."""
    own_kg, own_N, kg_per_N = moved_mass(profile)
    limits = profile.limits
    way = way_m(profile)
    found = []
    for mass in sorted(profile.rig.weights):
        # A weight m on an arm L pulls the rod (arm r) with m·g·L/r and weighs m·(L/r)² there.
        at_rod = kg_per_N * profile.rig.gravity
        force = own_N + mass * profile.rig.gravity * at_rod
        left = FORCE_SHARE * limits.force.limited - force
        if left <= 0.05 * limits.force.limited or own_N <= 0.0:
            continue
        sharp = left / (own_kg + mass * at_rod**2)
        speed = FASTEST * way / math.sqrt(SHARPEST * way / sharp)
        found.append((mass, force, min(speed, SPEED_SHARE * limits.speed.limited)))
    return found


def way_m(profile: Profile) -> float:
    """Return the way of a move in m."""
    travel = profile.limits.travel
    return ROOM_SHARE * (travel.upper - travel.lower)


def lasts_s(profile: Profile, speed_m_s: float) -> float:
    """Return the duration of ``move_to`` in s: the move over the whole stroke, and its settling."""
    return FASTEST * profile.actuator.stroke / speed_m_s + MOVE_S


def expected_of_move(
    profile: Profile, mass: float, speed: float, sense: float, idle_W: float = 0.0
) -> tuple[float, float]:
    """Return efficiency and peak power in W of a minimum-jerk move with a weight.

    While it holds before and after, the motor carries the weight without help from friction.

    Args:
        idle_W: the drive's own consumption, if the supply's power is measured.
    """
    actuator = profile.actuator
    motor, screw = actuator.motor, actuator.transmission
    per_metre = actuator.radians_per_metre
    own_kg, own_N, kg_per_N = moved_mass(profile)
    at_rod = kg_per_N * profile.rig.gravity
    way = sense * way_m(profile)
    moving = FASTEST * abs(way) / speed
    s = np.linspace(0.0, 1.0, 400)
    v = way * 30 * s**2 * (1 - s) ** 2 / moving
    a = way * (60 * s - 180 * s**2 + 120 * s**3) / moving**2
    weight = own_N + mass * profile.rig.gravity * at_rod
    force = weight + (own_kg + mass * at_rod**2) * a
    driven = np.where(
        sense * force > 0, force / screw.efficiency_forward, force * screw.efficiency_backward
    )
    torque = (driven + actuator.reflected_mass * a) / per_metre
    torque += sense * actuator.friction.coulomb
    heat = motor.winding_resistance / motor.torque_constant**2
    t = s * moving
    electrical = float(np.trapezoid(torque * per_metre * v + heat * torque**2, t))
    electrical += heat * (weight / per_metre) ** 2 * (lasts_s(profile, speed) - moving)
    electrical += idle_W * lasts_s(profile, speed)
    work = float(np.trapezoid(force * v, t))
    ratio = work / electrical if sense > 0 else electrical / work
    return ratio, float(np.max(np.abs(force * v)))
