"""Sentences with numbers for limits whose tripped value was exceeded."""

from __future__ import annotations

from typing import NamedTuple

from drivers.base import PowerStage, Telemetry
from drivers.motion import FORCE, FORCE_RATE, LENGTH, SPEED
from hil.core import Cause, Limit
from hil.profile import Profile
from hil.supervision import telemetry_age


class Measured(NamedTuple):
    """Values of one cycle, SI; ``below``: the output is past the lower soft end, not the upper."""

    force_N: float
    force_rate_N_s: float
    deflection_m: float
    position_m: float
    below: bool
    nut_velocity_m_s: float
    current_A: float
    motor_heat: float
    temperature_degC: float
    supply_V: float


OF = frozenset(
    (
        Limit.FORCE,
        Limit.FORCE_RATE,
        Limit.DEFLECTION,
        Limit.TRAVEL,
        Limit.SPEED,
        Limit.CURRENT,
        Limit.MOTOR_HEAT,
        Limit.DRIVE_TEMPERATURE,
        Limit.SUPPLY_LOW,
        Limit.SUPPLY_HIGH,
    )
)


def of_drive(cause: int, telemetry: Telemetry, most_age_s: float) -> str:
    """Return one sentence for a cause that the drive reports, or for its silence; '' for any other."""
    if cause == Cause.DRIVE_LOST:
        return f"the drive is lost: {telemetry.lost}"
    if cause == Limit.DRIVE_FAULT:
        text = telemetry.fault_text or "it gives no reason"
        return f"the drive reports fault {telemetry.fault_code:#06x}: {text}"
    if cause == Cause.DRIVE_DISABLED:
        return (
            "the drive left the energised state by itself (power stage "
            f"{PowerStage(telemetry.power).name.lower().replace('_', ' ')})"
        )
    if cause == Limit.TELEMETRY_AGE:
        return telemetry_age.sentence(telemetry, most_age_s)
    return ""


def sentence(cause: int, measured: Measured, profile: Profile) -> str:
    """Return one sentence for a cause in ``OF``."""
    limits = profile.limits
    if cause == Limit.FORCE:
        return (
            f"spring force {FORCE(measured.force_N):.1f}{FORCE} is beyond "
            f"±{FORCE(limits.force.tripped):.0f}{FORCE}"
        )
    if cause == Limit.FORCE_RATE:
        return (
            f"spring force changes at {FORCE_RATE(measured.force_rate_N_s):.0f}{FORCE_RATE}, beyond "
            f"±{FORCE_RATE(limits.force_rate.tripped or 0.0):.0f}{FORCE_RATE}"
        )
    if cause == Limit.DEFLECTION:
        return (
            f"deflection {LENGTH(measured.deflection_m):.2f}{LENGTH} is beyond "
            f"±{LENGTH(limits.deflection.tripped):.2f}{LENGTH}"
        )
    if cause == Limit.TRAVEL:
        travel = limits.travel
        end = travel.lower if measured.below else travel.upper
        return (
            f"the output at {LENGTH(measured.position_m):.1f}{LENGTH} moved past the "
            f"{'lower' if measured.below else 'upper'} soft end at {LENGTH(end):.1f}{LENGTH} by more than "
            f"{LENGTH(travel.tripped_beyond):.1f}{LENGTH}"
        )
    if cause == Limit.SPEED:
        return (
            f"nut speed {SPEED(measured.nut_velocity_m_s):.1f}{SPEED} is beyond "
            f"±{SPEED(limits.speed.tripped):.0f}{SPEED}"
        )
    if cause == Limit.CURRENT:
        return f"motor current {measured.current_A:.2f} A is above {limits.current.tripped:g} A"
    if cause == Limit.MOTOR_HEAT:
        return (
            f"the motor has used {100 * measured.motor_heat:.0f} % of its thermal capacity, "
            f"limit {100 * limits.motor_heat.tripped:.0f} %"
        )
    if cause == Limit.DRIVE_TEMPERATURE:
        return (
            f"the drive is at {measured.temperature_degC:.1f} degC, above "
            f"{limits.drive_temperature.tripped:.0f} degC"
        )
    if cause == Limit.SUPPLY_LOW:
        return f"supply {measured.supply_V:.2f} V is below {limits.supply.low:g} V"
    return f"supply {measured.supply_V:.2f} V is above {limits.supply.high:g} V"
