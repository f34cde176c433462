"""The force on the rod that known weights make, and how well it is known.

A weight on a lever presses the rod with the moment about the pivot over the rod's own arm.
Uncertainties of arms, gravity and of the lever's own moment act on every point of a
calibration alike (they are correlated, JCGM 100:2008, 5.2), those of single weights too as far
as the same weights are hung again. :func:`rod_load` therefore gives the derivative by each
input beside the load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.profile.schema import Lever, Profile

INPUTS = ("weights", "load_arm", "rod_arm", "own_moment", "angle", "gravity")


@dataclass(frozen=True)
class Accuracy:
    """Standard uncertainties of what the loads are reckoned from.

    Defaults are what a balance, a vernier caliper, a rule and a spirit level give; common
    practice, no source. ``own_moment`` is that of lever and pan, weighed at the load point.

    Attributes:
        weights: relative, of every weight alike.
        load_arm_m, rod_arm_m: of the two arms.
        own_moment: relative, of the moment of lever and pan.
        angle_rad: of the lever's angle at level.
        gravity: relative; local gravity lies within 0.3 % of the standard value everywhere, and
            is known far better where the place is.
    """

    weights: float = 0.0005
    load_arm_m: float = 0.0005
    rod_arm_m: float = 0.00005
    own_moment: float = 0.01
    angle_rad: float = 0.005
    gravity: float = 0.0003


@dataclass(frozen=True)
class RodLoad:
    """Force on the rod in N (+ pushes the rod in) and its derivatives.

    ``parts`` gives, for each of ``INPUTS``, the change of the load in N when that input is off
    by one standard uncertainty.
    """

    force_N: float
    parts: dict[str, float]

    @property
    def u_N(self) -> float:
        """Standard uncertainty of this one load."""
        return math.sqrt(math.fsum(part**2 for part in self.parts.values()))


def lever_angle(rig: Lever, output_position_m: float) -> float:
    """Angle of the lever from level in rad, + when the rod is extended further."""
    way = (output_position_m - rig.level_position) / rig.rod_arm
    if rig.attachment == "sector":
        return way
    return math.asin(max(-1.0, min(1.0, way)))


def rod_load(
    profile: Profile,
    mass_kg: float,
    output_position_m: float,
    accuracy: Accuracy = Accuracy(),
    gravity_m_s2: float | None = None,
) -> RodLoad:
    """Static load on the rod with ``mass_kg`` hung and the output at rest.

    Lever with the rod on a sector: F = g·cos θ·(m·L + M)/r with L the load arm, r the rod arm
    and M the moment of lever and pan in kg·m; with the rod pinned and guided straight its arm
    is r·cos θ, and the cosines cancel. A vertical linear rig carries its carriage and the mass.
    """
    rig = profile.rig
    g = rig.gravity if gravity_m_s2 is None else gravity_m_s2
    if not isinstance(rig, Lever):
        if not rig.vertical:
            return RodLoad(0.0, dict.fromkeys(INPUTS, 0.0))
        force = g * (mass_kg + rig.carriage_mass)
        return RodLoad(
            force,
            dict.fromkeys(INPUTS, 0.0)
            | {
                "weights": g * mass_kg * accuracy.weights,
                "own_moment": g * rig.carriage_mass * accuracy.own_moment,
                "gravity": force * accuracy.gravity,
            },
        )
    own = rig.lever_mass * rig.lever_centre + rig.pan_mass * rig.load_arm
    moment = mass_kg * rig.load_arm + own
    angle = lever_angle(rig, output_position_m)
    cosine = math.cos(angle) if rig.attachment == "sector" else 1.0
    sine = math.sin(angle) if rig.attachment == "sector" else 0.0
    per_moment = g * cosine / rig.rod_arm
    force = per_moment * moment
    return RodLoad(
        force,
        {
            "weights": per_moment * mass_kg * rig.load_arm * accuracy.weights,
            "load_arm": per_moment * mass_kg * accuracy.load_arm_m,
            "rod_arm": -force / rig.rod_arm * accuracy.rod_arm_m,
            "own_moment": per_moment * own * accuracy.own_moment,
            "angle": -g * sine * moment / rig.rod_arm * accuracy.angle_rad,
            "gravity": force * accuracy.gravity,
        },
    )
