"""Description of a bench, as a rig host sends it to every client that connects."""

from __future__ import annotations

import platform
from importlib.metadata import version
from pathlib import Path
from typing import Any

from drivers.base import Drive
from drivers.compiled import compiled_modules
from hil.bench import CONFIRMED, UNVERIFIED, drive_facts, facts_to_dict, first_reference
from hil.control import standing
from hil.core import COLUMNS
from hil.host.known_rig import KnownRig
from hil.host.realtime import RealtimeGrant
from hil.profile import Profile, profile_to_dict


def _reference_words(reference: str, at_lower_end: bool) -> str:
    return CONFIRMED if at_lower_end and reference == UNVERIFIED else reference


def describe(
    profile: Profile,
    profile_path: str,
    drive: Drive,
    grant: RealtimeGrant,
    endpoint: str | None,
    known: KnownRig,
    session: str,
) -> dict[str, Any]:
    """Return the description of the bench for a client that connects.

    Args:
        endpoint: simulation control; None for a real rig.
        session: session of the files that keep the motor's heat; '' for none.
    """
    heat = known.heat.as_data() if known.heat is not None else {}
    return {
        "profile": profile_to_dict(profile),
        "profile_path": Path(profile_path).name,
        "verification": (known.verified or standing(profile)).as_data(),
        "reference": _reference_words(first_reference(profile), known.at_lower_end),
        "heat": heat | {"session": session},
        "columns": [column._asdict() for column in COLUMNS],
        "rate_hz": profile.control.rate,
        "period_s": 1.0 / profile.control.rate,
        "recording": None,  # of the run being recorded: name, note and time of its start
        "tripped": None,  # the latest stop for which a run is kept
        "simulated": endpoint is not None,
        "environment": endpoint,
        "drive": drive.capabilities.identity,
        "drive_facts": facts_to_dict(drive_facts(drive.capabilities, profile)),
        "version": version("hookeline"),
        "python": platform.python_version(),
        "compiled": bool(compiled_modules()),
        "host": platform.node(),
        "realtime": {"granted": grant.granted, "notice": grant.notice},
    }


def keep_in_description(description: dict[str, Any], event: dict[str, Any]) -> None:
    """Change the description by a published event: a client that connects later must know of it."""
    kind = event["kind"]
    if kind == "stop":
        if event["trip"]:
            # For a recorder that follows one that died before it wrote this.
            description["tripped"] = dict(event)
    elif kind == "calibration":
        profile = description["profile"]
        description["profile"] = {**profile, "calibration": event["calibration"]}
    elif kind == "session_cap":
        description["session_cap"] = event["cap"]
    elif kind == "reference":
        description["reference"] = event["how"]
    elif kind == "start_run":
        # For a recorder that follows one that died before it wrote anything.
        description["recording"] = {key: event[key] for key in ("name", "note", "wall")}
    elif kind == "end_run":
        description["recording"] = None
