"""Notices about a bench at the start: verification, reference, motor heat."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from hil.bench import WHY_OPEN
from hil.control import reduced_text
from hil.profile import Profile


def unverified_text(description: Mapping[str, Any], as_loaded: Profile) -> str:
    """Return why limits are reduced, or were opened by confirmation; '' on a verified rig."""
    verification = description.get("verification") or {}
    if not str(verification.get("how", "")).endswith("unverified"):
        return ""
    text = str(verification.get("text", ""))
    return text if verification.get("open") else f"{text}. Now {reduced_text(as_loaded)}"


def heat_text(description: Mapping[str, Any]) -> str:
    """Return where the motor heat started; '' if the description does not say."""
    return str((description.get("heat") or {}).get("text", ""))


def first_notices(description: Mapping[str, Any], unverified: str) -> Iterator[str]:
    """Yield the notices to read before anything is done."""
    if unverified:
        yield unverified
    if why_open := WHY_OPEN.get(str(description.get("reference"))):
        yield why_open
    if (description.get("heat") or {}).get("how") in ("unseen", "unknown"):
        yield f"Motor heat: {heat_text(description)}"
