"""Checks of a profile's reference against its travel, force and speed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from drivers.motion import FORCE, SPEED
from hil.profile.findings import Finding
from hil.profile.schema import Profile
from hil.profile.statics import mm_text

FASTEST_M_S = 0.010  # the output may swing at twice that, and meets an end at less than 20 mm/s
# Of the force limit: less is hidden by friction, more is not gentle; common practice, no source.
LEAST_FORCE_SHARE, MOST_FORCE_SHARE = 0.02, 0.20


def reference_inconsistencies(profile: Profile) -> Iterator[Finding]:
    """Yield inconsistencies of the profile's ``reference``."""
    reference, limits, stroke = profile.reference, profile.limits, profile.actuator.stroke
    for name, place in (("mark", reference.mark), ("home_switch", reference.home_switch)):
        if place is not None and not 0.0 <= place.position <= stroke:
            yield Finding(
                ("reference", name, "position"),
                f"outside the stroke of 0 to {mm_text(stroke)}",
                "measure from the lower mechanical end",
            )
    if reference.home_switch is not None and not _reports_inputs(profile.drive):
        yield Finding(
            ("reference", "home_switch", "input"),
            "the drive reports no digital inputs, so the switch cannot be read",
            "name drive.inputs_object (0x60FD) or 'inputs' in the board's description",
        )
    most = min(FASTEST_M_S, limits.speed.limited)
    if reference.seek_speed is not None and reference.seek_speed > most:
        yield Finding(
            ("reference", "seek_speed"),
            f"{SPEED(reference.seek_speed):.4g}{SPEED} is too fast to meet an end",
            f"write at most {SPEED(most):.4g}{SPEED}, or leave it out",
        )
    least, most = (s * limits.force.limited for s in (LEAST_FORCE_SHARE, MOST_FORCE_SHARE))
    if reference.seek_force is not None and not least <= reference.seek_force <= most:
        yield Finding(
            ("reference", "seek_force"),
            f"{FORCE(reference.seek_force):.4g}{FORCE} is not a gentle force for a limit of "
            f"{FORCE(limits.force.limited):.4g}{FORCE}",
            f"write {FORCE(least):.3g}{FORCE} to {FORCE(most):.3g}{FORCE}, or leave it out",
        )


def _reports_inputs(drive: Mapping[str, Any]) -> bool:
    """Return whether the drive, or one of its members, is described as reporting its inputs."""
    given = drive.get("gives") or {}
    parts = [m for m in (drive.get("members") or {}).values() if isinstance(m, Mapping)]
    known = drive.get("protocol") in ("cia402", "declared_can", "declared_lines", "declared_frames")
    named = drive.get("inputs_object") is not None or "inputs" in given
    return named or any(map(_reports_inputs, parts)) or not (known or parts)
