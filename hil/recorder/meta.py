"""``run.yaml``: the context of a run, for a colleague who reads it next year."""

from __future__ import annotations

import datetime
import hashlib
import json
import platform
import sys
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

import yaml

from hil.core import PlainYamlError, read_plain_yaml
from hil.recorder.errors import RunError
from hil.recorder.folders import META, write_whole
from hil.recorder.rotary_columns import described_motion, stored_columns

SCHEMA_VERSION = 2
Status = Literal["recording", "complete", "repaired"]


# The C emitter takes a fifth of the time; PyYAML may be built without it.
_EMITTER: Any = getattr(yaml, "CSafeDumper", yaml.SafeDumper)


class _Dumper(_EMITTER):  # type: ignore[misc]
    """Dumper that writes repeated values (the calibration) in full each time."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def new_meta(
    name: str,
    note: str,
    started: str,
    description: Mapping[str, Any],
    trip: Mapping[str, Any] | None,
) -> dict[str, Any]:
    """Return the contents of ``run.yaml`` for a run that begins.

    Args:
        started: ISO 8601 with offset.
        description: description of the bench, as the link's hello gives it; every key is optional.
        trip: cause, detail and time of the trip for which this run is kept.
    """
    profile = dict(description.get("profile") or {})
    return {
        "schema_version": SCHEMA_VERSION,
        "name": name,
        "note": note,
        "status": "recording",
        "started": started,
        "ended": None,
        "how_it_ended": "recording, or interrupted if nothing records it now",
        "samples": None,
        "lost_samples": None,
        "duration_s": None,
        "rate_hz": description.get("rate_hz"),
        "trip": dict(trip) if trip else None,
        "simulated": description.get("simulated"),
        "verification": description.get("verification"),
        "reference": description.get("reference"),
        "session_cap": description.get("session_cap"),
        "drive": description.get("drive"),
        "software": {
            "hookeline": description.get("version") or own_version(),
            "python": description.get("python") or sys.version.split()[0],
            "compiled": description.get("compiled"),
        },
        "host": {
            "name": description.get("host") or platform.node(),
            "platform": platform.platform(),
            "realtime": description.get("realtime"),
        },
        "profile_path": description.get("profile_path"),
        "calibration": profile.get("calibration"),
        "active_calibration": named_calibration(profile.get("calibration")),
        "calibration_changes": [],
        "session_cap_changes": [],
        "profile": profile,
        "columns": [c._asdict() for c in stored_columns(described_motion(description))],
    }


def named_calibration(part: object) -> dict[str, str | None] | None:
    """Return the identity of a calibration: name, date, and the SHA-256 of the profile's part.

    The hash is that of JSON with sorted keys and no blanks, in UTF-8.
    """
    if not isinstance(part, Mapping):
        return None
    text = json.dumps(dict(part), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return {
        "identity": str(part.get("identity") or "") or None,
        "dated": str(part.get("dated") or "") or None,
        "sha256": hashlib.sha256(text.encode("utf-8", "replace")).hexdigest(),
    }


def note_calibration(meta: dict[str, Any], event: Mapping[str, Any]) -> None:
    """Note a calibration that came into force within the run, and since when."""
    meta["calibration_changes"].append(
        {
            "time_s": event.get("time_s"),
            "cycle": event.get("cycle"),
            "active_calibration": named_calibration(event.get("calibration")),
            "calibration": event.get("calibration"),
        }
    )


def note_cap(meta: dict[str, Any], event: Mapping[str, Any]) -> None:
    """Note a session cap that came into force within the run, and since when."""
    meta["session_cap_changes"].append(
        {name: event.get(name) for name in ("time_s", "cycle", "cap")}
    )


def own_version() -> str:
    try:
        return version("hookeline")
    except PackageNotFoundError:
        return "not installed"


def write_meta(folder: Path, meta: Mapping[str, Any]) -> None:
    """Write ``run.yaml`` atomically.

    Raises:
        OSError: the disk refused; the old file is untouched.
    """
    text = yaml.dump(dict(meta), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=100)
    write_whole(folder / META, text.encode())


def read_meta(folder: Path) -> dict[str, Any]:
    """Return the contents of ``run.yaml``.

    Raises:
        RunError: missing, unreadable or not a mapping.
    """
    file = folder / META
    try:
        meta = read_plain_yaml(file)
    except FileNotFoundError:
        raise RunError(f"'{file}' is missing; 'hookeline runs repair' recreates it") from None
    except OSError as error:
        raise RunError(f"'{file}' cannot be read: {error.strerror}") from None
    except PlainYamlError as error:
        raise RunError(f"'{file}' cannot be used ({error}); correct it by hand") from None
    if not isinstance(meta, dict):
        raise RunError(f"'{file}' is not a mapping of keys to values; correct it by hand")
    return meta


def now_iso() -> str:
    return datetime.datetime.now().astimezone().isoformat(timespec="milliseconds")


def later_iso(moment: str, seconds: float) -> str:
    """Return ``moment`` (ISO 8601) shifted by ``seconds``; unchanged if it is not a moment."""
    try:
        start = datetime.datetime.fromisoformat(moment)
    except (ValueError, TypeError):
        return moment
    return (start + datetime.timedelta(seconds=seconds)).isoformat(timespec="milliseconds")
