"""Age of every quantity: motor and deflection by the profile, others by their own interval."""

from __future__ import annotations

from drivers.base import Telemetry


def stale(telemetry: Telemetry, most_s: float) -> bool:
    """Return whether any quantity is older than its limit; a NaN age is."""
    return (
        not telemetry.age_s <= most_s
        or not telemetry.deflection_age_s <= most_s
        or telemetry.silent_name != ""
    )


def sentence(telemetry: Telemetry, most_s: float) -> str:
    """Return the quantity that is stale, its age and its limit, as text."""
    if not telemetry.age_s <= most_s:
        what, age_s, limit_s = "the drive's sample", telemetry.age_s, most_s
    elif telemetry.deflection_age_s <= most_s and telemetry.silent_name:
        what = f"the drive's value of {telemetry.silent_name}"
        age_s, limit_s = telemetry.silent_age_s, telemetry.silent_limit_s
    else:
        what, age_s = "the deflection sensor's value", telemetry.deflection_age_s
        limit_s = most_s
    if age_s > 1e6:
        return f"{what} has never arrived"
    return f"{what} is {1e3 * age_s:.2f} ms old, above {1e3 * limit_s:g} ms"
