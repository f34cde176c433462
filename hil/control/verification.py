"""Verified rigs: which profiles may be used at their own limits, and why.

A bring-up in which every step has passed leaves a small file in the user's state directory
(``$XDG_STATE_HOME/hookeline/verified``, private), named by the SHA-256 of its basis. A change
of anything relevant to safety gives another hash, so that the file is not found.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hil.core import (
    PrivateFileError,
    make_private_directory,
    read_private,
    state_directory,
    write_private,
)
from hil.profile import Profile, fact_differences, profile_to_dict

SCHEMA_VERSION = 1
# The only parts that may change: a simulated rig's, the list of weights, and a new calibration
# of the same sign and zero side, which has a file, a hash and a check of its own.
FREE_PARTS = ("simulation", "calibration")
FREE_RIG_KEYS = ("weights",)
BRING_UP = "run 'hookeline bringup --profile P' until every step has passed"


@dataclass(frozen=True)
class Standing:
    """Standing of a rig: whether its profile's own limits apply, and why.

    Attributes:
        open: the profile's own limits apply; else reduced ones.
        how: ``simulated``, ``brought_up``, ``confirmed_unverified`` or ``unverified``.
        text: the reason as a sentence, with the fix if limits are reduced.
        since: when it was brought up (ISO 8601); empty otherwise.
        record: folder of the bring-up's record; empty otherwise.
        confirmed: what was typed to open the limits of an unverified rig; empty otherwise.
    """

    open: bool
    how: str
    text: str
    since: str = ""
    record: str = ""
    confirmed: str = ""

    def as_data(self) -> dict[str, Any]:
        """Return plain values, for run.yaml and the link."""
        return asdict(self)


def safety_facts(profile: Profile) -> dict[str, Any]:
    """Return the basis of a bring-up's verdict, SI numbers, as plain values."""
    data = profile_to_dict(profile)
    for part in FREE_PARTS:
        data.pop(part, None)
    data["rig"] = {k: v for k, v in data["rig"].items() if k not in FREE_RIG_KEYS}
    data["calibration"] = {
        "deflection_sign": 1 if profile.calibration.deflection_per_count > 0 else -1
    }
    return data


def safety_fingerprint(profile: Profile) -> str:
    """Return the SHA-256 of :func:`safety_facts` as JSON with sorted keys and no blanks."""
    text = json.dumps(safety_facts(profile), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def verified_directory() -> Path:
    """Return the folder of the verifications: ``$XDG_STATE_HOME`` or ``~/.local/state``."""
    return state_directory("verified")


def verify(profile: Profile, record: Path, when: str) -> Path:
    """Record that this profile's rig was brought up; return the file.

    Raises:
        OSError, PrivateFileError: it cannot be written.
    """
    directory = verified_directory()
    make_private_directory(directory)
    fingerprint = safety_fingerprint(profile)
    file = directory / f"{fingerprint}.json"
    kept = {
        "schema_version": SCHEMA_VERSION,
        "profile": profile.name,
        "fingerprint": fingerprint,
        "facts": safety_facts(profile),
        "record": str(record.resolve()),
        "when": when,
    }
    write_private(file, json.dumps(kept, indent=1))
    return file


def withdraw(profile: Profile) -> None:
    """Withdraw the verification: a step that had passed no longer does.

    Raises:
        OSError: the file cannot be removed.
    """
    (verified_directory() / f"{safety_fingerprint(profile)}.json").unlink(missing_ok=True)


def standing(profile: Profile, confirmed: str = "") -> Standing:
    """Return the rig's standing: whether the profile's own limits apply.

    Args:
        confirmed: what the operator typed to open them without a verification; else empty.
    """
    if profile.simulation is not None:
        return Standing(True, "simulated", "a simulated rig is verified by nature")
    fingerprint = safety_fingerprint(profile)
    kept, problem = _read(verified_directory() / f"{fingerprint}.json")
    if kept.get("fingerprint") == fingerprint:
        since, record = str(kept.get("when", "")), str(kept.get("record", ""))
        return Standing(True, "brought_up", f"brought up {since}: {record}", since, record)
    reason = problem or _changed(profile) or "this rig was never brought up"
    if confirmed:
        return Standing(
            True,
            "confirmed_unverified",
            f"UNVERIFIED, and the profile's limits opened by confirmation: {reason}",
            confirmed=confirmed,
        )
    return Standing(False, "unverified", f"unverified rig: {reason}. Fix: {BRING_UP}")


def _changed(profile: Profile) -> str:
    """Return as text what has changed since a rig of this name was brought up, if one was."""
    latest: dict[str, Any] = {}
    for file in sorted(verified_directory().glob("*.json")):
        kept, _ = _read(file)
        if kept.get("profile") == profile.name and str(kept.get("when", "")) > str(
            latest.get("when", "")
        ):
            latest = kept
    if not latest:
        return ""
    facts = latest.get("facts")
    # Through JSON, as the stored facts went: a tuple comes back as a list.
    now = json.loads(json.dumps(safety_facts(profile)))
    text = fact_differences(facts if isinstance(facts, Mapping) else {}, now)
    return f"the profile has changed since it was brought up ({text})"


def _read(file: Path) -> tuple[dict[str, Any], str]:
    """Return the contents and, if they cannot be relied on, why."""
    try:
        kept = json.loads(read_private(file))
    except FileNotFoundError:
        return {}, ""
    except (OSError, PrivateFileError, ValueError) as error:
        return {}, f"its verification '{file}' cannot be relied on ({error})"
    if not isinstance(kept, dict) or kept.get("schema_version") != SCHEMA_VERSION:
        return {}, f"its verification '{file}' is damaged or of another version"
    return kept, ""
