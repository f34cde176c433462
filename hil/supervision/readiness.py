"""Measured values that prevent power on."""

from __future__ import annotations

from typing import Final

from drivers.motion import FORCE, LENGTH, SPEED
from hil.control import Estimator
from hil.core import Limit, fix
from hil.profile import Profile

CREEP_M_S: Final = 0.002  # below it the output counts as at rest, or held by friction


def untrusted(reference_lost: str, displaced: str) -> str:
    """Return which sensor's reading is invalid, with the fix; '' if both are trusted.

    Args:
        reference_lost, displaced: as in :class:`~hil.supervision.sensor_watch.SensorWatch`.
    """
    if reference_lost:
        return (
            f"{reference_lost}. Find the cause; then let the output rest on its lower end, and "
            "confirm it"
        )
    if displaced:
        return f"{displaced}, while power was off. {fix(Limit.SENSOR_JUMP)} Then reset"
    return ""


def unready(
    profile: Profile, estimator: Estimator, force_N: float, mean_m_s: float, motor_heat: float
) -> str:
    """Return what prevents power on, with the fix; '' if nothing does.

    Args:
        force_N: true spring force.
        mean_m_s: recent mean speed of the nut.
        motor_heat: share of the motor's thermal capacity used.
    """
    limits = profile.limits
    most = limits.force.limited
    if not -most <= force_N <= most:
        return (
            f"the spring force is {FORCE(force_N):.0f}{FORCE}, beyond {FORCE(most):.0f}{FORCE}. "
            f"{fix(Limit.FORCE)}"
        )
    most = limits.deflection.limited
    if not -most <= estimator.deflection_m <= most:
        return (
            f"the deflection is {LENGTH(estimator.deflection_m):.2f}{LENGTH}, beyond "
            f"{LENGTH(most):.2f}{LENGTH}. {fix(Limit.DEFLECTION)}"
        )
    position = estimator.output_position_m
    slack = limits.travel.tripped_beyond
    stroke = profile.actuator.stroke
    # Restricted operation opens the soft ends far beyond the stroke: zero may be a guess then.
    low, high = min(0.0, limits.travel.lower), max(stroke, limits.travel.upper)
    if not low - slack <= position <= high + slack:
        return (
            f"the output position reads {LENGTH(position):.1f}{LENGTH}, outside the stroke of 0 to "
            f"{LENGTH(stroke):.0f}{LENGTH}. Let the output rest on its lower end, and confirm it"
        )
    most, now = limits.speed.limited, estimator.nut_velocity_m_s
    if not -CREEP_M_S <= mean_m_s <= CREEP_M_S or not -most <= now <= most:
        # In Standby no torque holds it: a sinking load would move on, faster, past the soft end.
        speed = now if not -most <= now <= most else mean_m_s
        return (
            f"the output still moves, the nut at {SPEED(speed):.0f}{SPEED}. "
            "Wait until it rests on its end, or support the load"
        )
    most = limits.motor_heat.limited
    if not motor_heat <= most:
        return (
            f"the motor has used {100 * motor_heat:.0f} % of its thermal capacity, "
            f"above {100 * most:.0f} %. {fix(Limit.MOTOR_HEAT)}"
        )
    return ""
