"""Findings of a check of a whole profile: a path in it, a reason and a fix."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from hil.profile.source import Path_


@dataclass(frozen=True)
class Finding:
    path: Path_
    what: str
    fix: str
    severity: Literal["error", "warning"] = "error"
