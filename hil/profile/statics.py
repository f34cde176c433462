"""Static forces from a profile: of the springs, the motor and a weight."""

from __future__ import annotations

import math

from drivers.motion import LENGTH
from hil.profile.schema import Lever, Linear, Polynomial, Profile, Rig, TwoSlopes

# A measured spring law may differ this much from the springs' nominal rate and preload.


def force_at(law: TwoSlopes | Polynomial, deflection_m: float) -> float:
    """Return the force in N of a calibration's spring law at a deflection in m."""
    if isinstance(law, TwoSlopes):
        size = abs(deflection_m)
        force = law.inner_rate * min(size, law.knee) + law.outer_rate * max(0.0, size - law.knee)
        return math.copysign(force, deflection_m)
    return sum(c * (deflection_m * 1e3) ** i for i, c in enumerate(law.coefficients))


def motor_force(profile: Profile, current_A: float) -> float:
    """Return the pushing force at the nut in N, F = 2π·η·T/lead, T less Coulomb friction."""
    actuator = profile.actuator
    torque = actuator.motor.torque_constant * current_A - actuator.friction.coulomb
    return actuator.transmission.efficiency_forward * actuator.radians_per_metre * max(0.0, torque)


def holding_force(profile: Profile, weight_kg: float) -> float:
    """Return the largest holding force at the rod in N over the stroke, with a weight."""
    return rig_force(profile.rig, weight_kg)


def rig_force(rig: Rig, weight_kg: float) -> float:
    """Return the holding force of a rig in N, as :func:`holding_force`."""
    if isinstance(rig, Linear):
        return (rig.carriage_mass + weight_kg) * rig.gravity if rig.vertical else 0.0
    moment = rig.gravity * (
        (weight_kg + rig.pan_mass) * rig.load_arm + rig.lever_mass * rig.lever_centre
    )
    # The arm of a pinned rod shrinks with the same cosine as that of the weight.
    return moment / rig.rod_arm


def tilt_share(rig: Rig, position_m: float) -> float:
    """Return the share of :func:`rig_force` that is left where a lever or an arm is tilted.

    The arm of the weight shrinks with the cosine of the tilt; that of a pinned rod as well.
    """
    if isinstance(rig, Linear) or rig.attachment == "pin":
        return 1.0
    return math.cos((position_m - rig.level_position) / rig.rod_arm)


def arm_ratio(rig: Rig) -> float:
    """Return the load arm over the rod arm: the ratio of rod force to load force."""
    return rig.load_arm / rig.rod_arm if isinstance(rig, Lever) else 1.0


def mm_text(value_m: float) -> str:
    return f"{LENGTH(value_m):.4g}{LENGTH}"
