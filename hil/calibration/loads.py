"""Force on the rod from known loads, and its uncertainty.

A weight on a lever presses the rod with its moment about the pivot divided by the rod's arm.
Uncertainties of arms, gravity and the lever's own moment act on every point of a calibration in the
same way (they are correlated, JCGM 100:2008, 5.2), as do those of single weights when the same
weights are hung again. :func:`rod_load` therefore gives the load and its derivative by each input.
A reference load cell in line with the rod measures the force itself; its sensitivity and its zero
also act on all points in the same way.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Literal

from hil.procedures import ProcedureFailed
from hil.profile import Arm, Lever, Profile

# Weights hung on the lever; dead weights directly on an upright rod; or the readings of a reference
# load cell that the actuator presses on.
Kind = Literal["lever", "rod", "cell"]
KINDS: dict[Kind, str] = {
    "lever": "weights on the lever",
    "rod": "dead weights on the rod",
    "cell": "reference load cell",
}
INPUTS = (
    "weights",
    "load_arm",
    "rod_arm",
    "own_moment",
    "angle",
    "gravity",
    "guide_friction",
    "cell_scale",
    "cell_zero",
)
NONE = dict.fromkeys(INPUTS, 0.0)
_KNOWN_BY: dict[Kind, tuple[str, ...]] = {
    "lever": ("weights", "load_arm_m", "rod_arm_m", "own_moment", "angle_rad", "gravity"),
    "rod": ("weights", "own_moment", "gravity"),
    "cell": ("cell", "cell_N"),
}


@dataclass(frozen=True)
class Accuracy:
    """Standard uncertainties of the inputs of the loads.

    The defaults are typical of a balance, a vernier caliper, a rule and a spirit level; common
    practice, no source. ``own_moment`` is that of lever and pan, weighed at the load point.

    Attributes:
        weights: relative, common to all weights.
        load_arm_m, rod_arm_m: uncertainties of the two arms.
        own_moment: relative, of the moment of lever and pan.
        angle_rad: uncertainty of the lever's angle at level.
        gravity: relative; local gravity lies within 0.3 % of the standard value everywhere, and
            is known far better if the place is known.
        cell: relative, of a reference load cell. cell_N: of its zero. Its certificate states
            both; there is no typical value.
    """

    weights: float = 0.0005
    load_arm_m: float = 0.0005
    rod_arm_m: float = 0.00005
    own_moment: float = 0.01
    angle_rad: float = 0.005
    gravity: float = 0.0003
    cell: float = 0.0
    cell_N: float = 0.0

    def about(self, kind: Kind) -> dict[str, float]:
        """Return those that apply to loads of this kind, by name."""
        return {name: value for name, value in asdict(self).items() if name in _KNOWN_BY[kind]}


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


def kind_of_loads(profile: Profile, wanted: Kind | Literal[""] = "") -> Kind:
    """Return the kind of loads of a calibration; chosen by the rig if ``wanted`` is empty.

    Raises:
        ProcedureFailed: such loads do not act on this rig's rod.
    """
    rig = profile.rig
    cell = "press on a reference load cell (--loads cell --cell-u ...)"
    if wanted == "cell":
        return "cell"
    if isinstance(rig, Lever):
        if wanted == "rod":
            raise ProcedureFailed(
                "this rig has a lever between weights and rod, so no dead weight acts on the rod "
                f"directly: hang them on the lever (--loads lever), or {cell}"
            )
        return "lever"
    if wanted == "lever":
        raise ProcedureFailed(
            f"'{profile.name}' has no lever: lay weights on the rod (--loads rod), or {cell}"
        )
    if not rig.vertical:
        raise ProcedureFailed(
            "weights do not act on the rod of a level rig (rig.vertical: false): "
            f"{cell}, or fit a table of its readings (--points)"
        )
    return "rod"


def cell_load(reading_N: float, accuracy: Accuracy) -> RodLoad:
    """Return the load on the rod by a reference load cell in line; + the rod presses on it."""
    parts = {"cell_scale": reading_N * accuracy.cell, "cell_zero": accuracy.cell_N}
    return RodLoad(reading_N, NONE | parts)


def no_load(profile: Profile) -> RodLoad:
    """Return the unloaded rod: only the friction of a carriage's guide acts on it.

    A carriage may swing back before it rests, so at every load the full friction may act on the rod
    in either direction (rectangular, JCGM 100:2008, F.2.2.1).
    """
    rig = profile.rig
    friction = 0.0 if isinstance(rig, Lever) else rig.guide_friction
    return RodLoad(0.0, NONE | {"guide_friction": friction / math.sqrt(3.0)})


def lever_angle(rig: Lever, output_position_m: float) -> float:
    """Return the lever's angle from level in rad, + when the rod is extended further."""
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
    """Return the static load on the rod with ``mass_kg`` hung and the output at rest.

    Lever with the rod on a sector: F = g·cos θ·(m·L + M)/r with L the load arm, r the rod arm
    and M the moment of lever and pan in kg·m; with the rod pinned and guided straight its arm
    is r·cos θ, and the cosines cancel. A vertical linear rig carries its carriage and the mass.
    """
    rig = profile.rig
    g = rig.gravity if gravity_m_s2 is None else gravity_m_s2
    if not isinstance(rig, Lever):
        if not rig.vertical:
            return no_load(profile)
        force = g * (mass_kg + rig.carriage_mass)
        return RodLoad(
            force,
            no_load(profile).parts
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
        NONE
        | {
            "weights": per_moment * mass_kg * rig.load_arm * accuracy.weights,
            "load_arm": per_moment * mass_kg * accuracy.load_arm_m,
            # The arc on which an arm's torque is computed is a number, and is exact.
            "rod_arm": 0.0 if isinstance(rig, Arm) else -force / rig.rod_arm * accuracy.rod_arm_m,
            "own_moment": per_moment * own * accuracy.own_moment,
            "angle": -g * sine * moment / rig.rod_arm * accuracy.angle_rad,
            "gravity": force * accuracy.gravity,
        },
    )
