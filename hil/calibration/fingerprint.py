"""Facts of a profile that a calibration depends on, so that one of another rig is refused.

Limits, control, friction and the drive may change without affecting the force law. Sensor,
springs, screw and the lever by which the loads were computed may not.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from hil.profile import Profile, profile_to_dict

_FREE_RIG_KEYS = ("weights", "pivot_friction", "guide_friction")  # do not affect the force law

_ACTUATOR_KEYS = ("name", "screw", "gear", "springs", "stroke")


def rig_facts(profile: Profile) -> dict[str, Any]:
    """Return the facts that the calibration depends on, SI numbers, as plain values."""
    data = profile_to_dict(profile)
    rig = {key: value for key, value in data["rig"].items() if key not in _FREE_RIG_KEYS}
    actuator = data["actuator"]
    return {
        "actuator": {key: actuator[key] for key in _ACTUATOR_KEYS if key in actuator},
        "rig": rig,
        "sensors": data["sensors"],
    }


def facts_hash(name: str, facts: Mapping[str, Any]) -> str:
    """Return the SHA-256 of the profile's name and facts."""
    return canonical_hash({"name": name, "facts": facts})


def canonical_hash(data: object) -> str:
    """Return the SHA-256 of plain values: JSON with sorted keys and no blanks, in UTF-8.

    Raises:
        TypeError, ValueError: values that JSON does not have.
    """
    text = json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(text.encode()).hexdigest()
