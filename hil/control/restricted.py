"""Profile of restricted operation: tighter limits, never a wider one."""

from __future__ import annotations

from typing import TypeVar

from hil.core import Commission, TriedPlant
from hil.profile import CurrentLimit, ForceLimit, Profile, SpeedLimit

L = TypeVar("L", ForceLimit, SpeedLimit, CurrentLimit)
TRIPPED_OVER_BOUNDED = 1.25
WINDOW_M = 0.003  # to either side, for a closed loop without known ends
MOST_TRIED = 4.0  # times the profile's value, or that part of it; no source


def tiers(limit: L, limited: float, tripped: float) -> L:
    """Return the limit with these tiers, its tripped value never above its own."""
    own = limit.tripped
    return limit.model_copy(
        update={"limited": limited, "tripped": tripped if own is None else min(own, tripped)}
    )


def restricted_profile(
    profile: Profile, envelope: Commission, output_position_m: float = 0.0
) -> Profile:
    """Return the profile with limits and loop no wider than both it and ``envelope`` state.

    Force and speed trip a quarter above their limited value, but never above the profile's own
    trip. Only the soft ends are lifted, until ``ends_known``: open-loop runs have their own travel.
    A closed loop has none, so its soft ends then lie ``WINDOW_M`` to either side of
    ``output_position_m``, the output's position when restricted operation began.
    """
    limits = profile.limits
    force = min(limits.force.limited, envelope.force_N)
    speed = min(limits.speed.limited, envelope.speed_m_s)
    current = min(
        limits.current.limited, envelope.torque_N_m / profile.actuator.motor.torque_constant
    )
    narrow = limits.model_copy(
        update={
            "force": tiers(limits.force, force, TRIPPED_OVER_BOUNDED * force),
            "speed": tiers(limits.speed, speed, TRIPPED_OVER_BOUNDED * speed),
            # Peaks of the current loop lie above its setpoint.
            "current": tiers(limits.current, current, 2.0 * current + 0.5),
        }
    )
    if not envelope.ends_known:
        stroke, travel = profile.actuator.stroke, limits.travel
        lower, upper = -stroke, 2 * stroke
        if envelope.closed_loop:
            lower, upper = output_position_m - WINDOW_M, output_position_m + WINDOW_M
        narrow = narrow.model_copy(
            update={"travel": travel.model_copy(update={"lower": lower, "upper": upper})}
        )
    control = profile.control
    if envelope.bandwidth_Hz:
        control = control.model_copy(
            update={"force_bandwidth": min(control.force_bandwidth, envelope.bandwidth_Hz)}
        )
    narrowed = profile.model_copy(update={"limits": narrow, "control": control})
    return narrowed if envelope.plant is None else with_plant(narrowed, envelope.plant)


def with_plant(profile: Profile, plant: TriedPlant) -> Profile:
    """Return the profile with measured values in place of its stated ones."""
    actuator = profile.actuator
    motor, friction = actuator.motor, actuator.friction
    if plant.rotor_inertia_kg_m2 is not None:
        motor = motor.model_copy(update={"rotor_inertia": plant.rotor_inertia_kg_m2})
    given = {"coulomb": plant.coulomb_N_m, "breakaway": plant.breakaway_N_m}
    friction = friction.model_copy(update={k: v for k, v in given.items() if v is not None})
    return profile.model_copy(
        update={"actuator": actuator.model_copy(update={"motor": motor, "friction": friction})}
    )


def plant_refused(profile: Profile, envelope: Commission) -> str:
    """Return why the plant of an envelope cannot be tried, with the fix; '' if it can."""
    plant = envelope.plant
    if plant is None:
        return ""
    if not (envelope.closed_loop and envelope.hold_to_run):
        return "a plant is tried in a closed loop, under the hold-to-run control: request both"
    actuator = profile.actuator
    for name, tried, stated, unit in (
        ("rotor inertia", plant.rotor_inertia_kg_m2, actuator.motor.rotor_inertia, "kg m^2"),
        ("dry friction", plant.coulomb_N_m, actuator.friction.coulomb, "N m"),
        ("break-away friction", plant.breakaway_N_m, actuator.friction.breakaway, "N m"),
    ):
        if tried is not None and not stated / MOST_TRIED <= tried <= MOST_TRIED * stated:
            return (
                f"{name} of {tried:.4g} {unit}: more than {MOST_TRIED:g} times from the profile's "
                f"{stated:.4g} {unit}. Fix: correct the profile and bring the rig up"
            )
    return ""
