"""Moved mass, and current that the supply can drive, from a profile."""

from __future__ import annotations

from hil.profile import Lever, Profile, Rig

MODULATION = 0.95  # of the supply that reaches the winding; common practice, no source


def moved_mass(profile: Profile) -> tuple[float, float, float]:
    """Return (mass in kg and load in N at the rod without weights, kg more per newton hung).

    A weight m on an arm L pulls the rod (arm r) with m·g·L/r and weighs m·(L/r)² there.
    """
    return rig_mass(profile.rig)


def rig_mass(rig: Rig) -> tuple[float, float, float]:
    """Return the values of :func:`moved_mass` for a rig."""
    if isinstance(rig, Lever):
        arm = rig.rod_arm
        # The lever as a slender beam hinged at its end: J = m·(2·c)²/3.
        inertia = rig.lever_mass * (2 * rig.lever_centre) ** 2 / 3 + rig.pan_mass * rig.load_arm**2
        moment = rig.lever_mass * rig.lever_centre + rig.pan_mass * rig.load_arm
        return (
            max(inertia / arm**2, 0.1),
            moment * rig.gravity / arm,
            rig.load_arm / arm / rig.gravity,
        )
    if rig.vertical:
        return rig.carriage_mass, rig.carriage_mass * rig.gravity, 1.0 / rig.gravity
    return rig.carriage_mass + max(rig.weights, default=0.0), 0.0, 0.0


def driven_current_A(profile: Profile, supply_V: float, nut_velocity_m_s: float) -> float:
    """Return the largest current that the supply drives in the direction of nut motion, (V − kt·ω)/R.

    A negative velocity is motion against the current; NaN if the supply is unknown.
    """
    motor = profile.actuator.motor
    emf = motor.torque_constant * profile.actuator.radians_per_metre * nut_velocity_m_s
    return (MODULATION * supply_V - emf) / motor.winding_resistance
