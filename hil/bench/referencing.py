"""Reference of the positions: how their zero was obtained, and whether it may be relied on."""

from __future__ import annotations

from drivers.base import Telemetry
from hil.control import Estimator
from hil.core import ConfirmReference
from hil.profile import Profile, rig_parameters

UNVERIFIED, CONFIRMED, ABSOLUTE, SIMULATED = "unverified", "confirmed", "absolute", "simulated"
STARTS_ON_END_M = 1e-4  # nearer is on it: rest on a stiff end stop, common practice, no source
STANDS_M_S = 0.005  # slower is at rest: above the noise of the estimate, common practice, no source
NOT_VERIFIED = (
    "reference not verified: zero is only where the rig stood when the rig host began. Fix: power "
    "off, let the output rest on its lower end and confirm it (request confirm_reference, or start "
    "with --reference-at-lower-end)"
)


def first_reference(profile: Profile) -> str:
    """Return how zero is obtained when the rig host begins.

    A simulated rig is known to stand on its lower end, if that is where it starts.
    """
    if profile.sensors.motor.reference == "absolute":
        return ABSOLUTE
    if profile.simulation is None:
        return UNVERIFIED
    starts_m = rig_parameters(profile).initial_output_m
    return SIMULATED if abs(starts_m) <= STARTS_ON_END_M else UNVERIFIED


def why_not_confirmed(
    request: ConfirmReference,
    profile: Profile,
    estimator: Estimator,
    telemetry: Telemetry,
    has_zero: bool,
) -> str:
    """Return why a de-energised rig's position cannot be confirmed now; empty if it can."""
    if profile.sensors.motor.reference == ABSOLUTE:
        return (
            "the motor sensor is absolute: its zero is the profile's. Fix: correct "
            "sensors.motor.absolute_offset"
        )
    if not has_zero or telemetry.lost or not telemetry.age_s <= profile.limits.telemetry_age:
        return "no fresh sample from the drive: wait for one, then confirm"
    stroke = profile.actuator.stroke
    if not 0.0 <= request.position_m <= stroke:
        return (
            f"{1e3 * request.position_m:.1f} mm lies outside the stroke, 0 to {1e3 * stroke:.1f} "
            "mm. Fix: state where the output stands"
        )
    speed = max(abs(estimator.output_velocity_m_s), abs(estimator.nut_velocity_m_s))
    if not speed <= STANDS_M_S:
        return f"the rig still moves, at {1e3 * speed:.0f} mm/s: let it rest, then confirm"
    return ""
