"""Change to another calibration while the bench runs."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from hil.control.calibration import ForceCalibration
from hil.profile import Calibration, Profile, inconsistencies

LEAST_S = 0.5
STEADY_N_S = 40.0  # no faster than a hand would feel as a push
LONGEST_S = 10.0
LOOKS = 41


def changed_calibration(profile: Profile, data: dict[str, Any]) -> Profile | str:
    """Return the profile with another calibration, or the reason for a refusal as text."""
    try:
        calibration = Calibration.model_validate(data, context={"si": True})
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        return f"the calibration is refused: {place}: {first['msg']}"
    changed = profile.model_copy(update={"calibration": calibration})
    for finding in inconsistencies(changed):
        if finding.severity == "error":
            place = ".".join(str(part) for part in finding.path)
            return (
                f"the calibration does not fit this profile: {place}: {finding.what}; {finding.fix}"
            )
    return changed


def slide_s(old: ForceCalibration, new: ForceCalibration, reach_m: float) -> float:
    """Return the seconds for the change, from the difference of the two within ±``reach_m``."""
    apart = 0.0
    for i in range(LOOKS):
        deflection = reach_m * (2 * i / (LOOKS - 1) - 1)
        counts = new.zero_counts + deflection / new.per_count
        apart = max(
            apart, abs(new.force(new.deflection(counts)) - old.force(old.deflection(counts)))
        )
    return min(LONGEST_S, max(LEAST_S, apart / STEADY_N_S))
