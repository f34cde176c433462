"""Reduced limits for a rig that no bring-up has verified."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.motion import FORCE, SPEED
from hil.control.restricted import restricted_profile
from hil.control.session_cap import cap_from, capped_profile
from hil.core import Commission
from hil.profile import Profile, profile_from_dict

# Of the profile's own limits; common practice, no source. Current keeps more, since friction
# takes its part before any force arises.
FORCE_SHARE = 0.25
SPEED_SHARE = 0.25
CURRENT_SHARE = 0.4


def reduced_profile(profile: Profile) -> Profile:
    """Return the profile with force, speed and current reduced, trips included.

    Trips are as in restricted operation; the soft ends, and all else, stay.
    """
    limits = profile.limits
    return restricted_profile(
        profile,
        Commission(
            force_N=FORCE_SHARE * limits.force.limited,
            speed_m_s=SPEED_SHARE * limits.speed.limited,
            torque_N_m=CURRENT_SHARE
            * limits.current.limited
            * profile.actuator.motor.torque_constant,
            closed_loop=True,
            ends_known=True,
            hold_to_run=False,
        ),
    )


def profile_in_force(description: Mapping[str, Any]) -> Profile:
    """Return the profile that a bench works to, from its description to a client."""
    return capped_profile(uncapped_profile(description), cap_from(description))


def uncapped_profile(description: Mapping[str, Any]) -> Profile:
    """Return the profile that a bench would work to without a session cap."""
    profile = profile_from_dict(description["profile"])
    return reduced_profile(profile) if limits_reduced(description) else profile


def limits_reduced(description: Mapping[str, Any]) -> bool:
    """Return whether a bench with this description works to the reduced limits."""
    return not (description.get("verification") or {}).get("open", True)


def reduced_text(profile: Profile) -> str:
    """Return the reduced limits as text: N, mm/s and A."""
    limits = reduced_profile(profile).limits
    return (
        f"limits reduced to {FORCE(limits.force.limited):.3g}{FORCE} ({FORCE_SHARE:.0%}), "
        f"{SPEED(limits.speed.limited):.3g}{SPEED} ({SPEED_SHARE:.0%}), "
        f"{limits.current.limited:.3g} A ({CURRENT_SHARE:.0%})"
    )
