"""Spring sets that the window offers, and the one chosen. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass
class SpringChoice:
    """Offer of a command that can restart the bench.

    Attributes:
        sets: file of each set's profile and its description, the one in use first.
        left_out: profiles of the rig that cannot be read, with the reason, a sentence each.
        chosen: file of the set to restart with, once the window has closed; or None.
    """

    sets: tuple[tuple[Path, str], ...]
    left_out: tuple[str, ...] = ()
    chosen: Path | None = None
