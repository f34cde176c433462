"""Moves with a weight: permitted weights, their speed and duration."""

from __future__ import annotations

import math

from hil.control import moved_mass
from hil.measure.guarded import MOVE_S
from hil.profile import Lever, Profile

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


def rubbing_N(profile: Profile) -> float:
    """Return the dry friction of the rig itself at the rod."""
    rig = profile.rig
    return rig.pivot_friction / rig.rod_arm if isinstance(rig, Lever) else rig.guide_friction


def way_m(profile: Profile) -> float:
    """Return the way of a move in m."""
    travel = profile.limits.travel
    return ROOM_SHARE * (travel.upper - travel.lower)


def lasts_s(profile: Profile, speed_m_s: float) -> float:
    """Return the duration of ``move_to`` in s: the move over the whole stroke, and its settling."""
    return FASTEST * profile.actuator.stroke / speed_m_s + MOVE_S
