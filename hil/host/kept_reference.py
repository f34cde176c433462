"""The reference of a rig, kept from one rig host to the next, only ever as a guess.

Each profile has one small private file in ``$XDG_STATE_HOME/hookeline/reference``. The rig host
removes it before its first cycle and writes it after its last, so that a killed rig host leaves
none. Counts of an incremental sensor last only while its drive has power: the guess serves to show
positions and to confirm an end that is sought, and no loop is closed on it.
"""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil.bench import KEPT, Bench, is_verified
from hil.control import safety_fingerprint
from hil.core import (
    PrivateFileError,
    make_private_directory,
    read_private,
    replace_private,
    state_directory,
)
from hil.profile import Profile

SCHEMA_VERSION = 1
MOST_BYTES = 4096
MOST_TEXT = 100


@dataclass(frozen=True)
class KeptReference:
    """Zero as the last rig host knew it.

    Attributes:
        offset_m: nut position where the motor sensor counts 0.
        how: it had been verified then.
        when: ISO 8601.
    """

    offset_m: float
    how: str
    when: str


def reference_file(profile: Profile) -> Path:
    """Return the file of a profile's reference, named by the profile's safety fingerprint."""
    return state_directory("reference") / f"{safety_fingerprint(profile)}.json"


def take_reference(profile: Profile) -> tuple[KeptReference | None, str]:
    """Return the kept reference and remove its file; a notice if the file cannot be relied on.

    A simulated rig starts counting anew at every start, and an absolute sensor needs no reference.
    """
    if profile.simulation is not None or profile.sensors.motor.reference == "absolute":
        return None, ""
    file = reference_file(profile)
    try:
        kept = _read(file)
        file.unlink()
    except FileNotFoundError:
        return None, ""
    except (OSError, PrivateFileError, ValueError) as error:
        return None, f"the reference of the last session cannot be relied on: {error}"
    return kept, ""


def keep_reference(profile: Profile, bench: Bench) -> str:
    """Keep a verified or kept zero for the next start; return why it cannot be kept, or ''."""
    known = is_verified(bench.reference) or bench.reference == KEPT
    offset_m = bench.nut_offset_m
    if (
        profile.simulation is not None
        or profile.sensors.motor.reference == "absolute"
        or not known
        or offset_m is None
        or not math.isfinite(offset_m)
    ):
        return ""
    file = reference_file(profile)
    kept = {
        "schema_version": SCHEMA_VERSION,
        "profile": profile.name,
        "offset_m": offset_m,
        "how": bench.reference,
        "when": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
    }
    try:
        make_private_directory(file.parent)
        replace_private(file, json.dumps(kept, indent=1))
    except (OSError, PrivateFileError) as error:
        return f"the reference cannot be kept for the next start: {error}"
    return ""


def _read(file: Path) -> KeptReference:
    """Return the file's contents, each of its type and in range.

    Raises:
        OSError, PrivateFileError: it cannot be read.
        ValueError: it is damaged or of another version.
    """
    if file.lstat().st_size > MOST_BYTES:
        raise ValueError(f"'{file}' is too long for a kept reference. Fix: delete it")
    damaged = ValueError(f"'{file}' is damaged or of another version. Fix: delete it")
    try:
        kept: Any = json.loads(read_private(file))
    except (ValueError, RecursionError):
        raise damaged from None
    if not isinstance(kept, dict) or kept.get("schema_version") != SCHEMA_VERSION:
        raise damaged
    offset_m, how, when = kept.get("offset_m"), kept.get("how"), kept.get("when")
    if isinstance(offset_m, bool) or not isinstance(offset_m, int | float):
        raise damaged
    if not abs(offset_m) < 1e3 or not isinstance(how, str) or not isinstance(when, str):
        raise damaged
    if not (len(how) < MOST_TEXT and len(when) < MOST_TEXT and (how + when).isprintable()):
        raise damaged
    return KeptReference(float(offset_m), how, when)
