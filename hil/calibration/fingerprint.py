"""Facts of a profile that a calibration rests on, so that one of another rig is refused.

Limits, control, friction and the drive may change: the force law stays what it was. Sensor,
springs, screw and the lever by which the loads were computed may not.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from hil.profile import Profile, profile_to_dict

_FREE_RIG_KEYS = ("weights", "pivot_friction", "guide_friction")  # change no force law


def rig_facts(profile: Profile) -> dict[str, Any]:
    """Return the facts that the calibration rests on, SI numbers, as plain values."""
    data = profile_to_dict(profile)
    rig = {key: value for key, value in data["rig"].items() if key not in _FREE_RIG_KEYS}
    actuator = data["actuator"]
    return {
        "actuator": {key: actuator[key] for key in ("name", "screw", "springs", "stroke")},
        "rig": rig,
        "sensors": data["sensors"],
    }


def facts_hash(name: str, facts: Mapping[str, Any]) -> str:
    """SHA-256 over the profile's name and its facts."""
    return canonical_hash({"name": name, "facts": facts})


def canonical_hash(data: object) -> str:
    """SHA-256 of plain values: JSON with sorted keys and no blanks, in UTF-8.

    Raises:
        TypeError, ValueError: values that JSON does not have.
    """
    text = json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(text.encode()).hexdigest()
