"""Whether the parts of a profile agree with each other and with physics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from hil.profile.schema import Profile
from hil.profile.source import Path_


@dataclass(frozen=True)
class Finding:
    path: Path_
    what: str
    mend: str
    severity: Literal["error", "warning"] = "error"


def inconsistencies(profile: Profile, options: Any) -> list[Finding]:
    return []
