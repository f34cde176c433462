"""Sets of springs that the window offers, and the one that was chosen. No Qt."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass
class SpringChoice:
    """Offer of a command that can begin the bench anew.

    Attributes:
        sets: file of each set's profile and its words, the one in use first.
        left_out: profiles of the rig that cannot be read, with the reason, a sentence each.
        chosen: file of the set to begin anew with, once the window has closed; None for none.
    """

    sets: tuple[tuple[Path, str], ...]
    left_out: tuple[str, ...] = ()
    chosen: Path | None = None
