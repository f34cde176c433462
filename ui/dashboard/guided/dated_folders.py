"""Folders of earlier work on a rig, named by date and rig. No Qt."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class KeptFolder:
    """A folder on the disk; ``holds`` says how much it holds, in words."""

    folder: Path
    holds: str

    @property
    def text(self) -> str:
        """Its date, by its name, and what it holds."""
        begun = re.match(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)", self.folder.name)
        name = "{}-{}-{} {}:{}".format(*begun.groups()) if begun else self.folder.name
        return f"{name} · {self.holds}"


def rig_word(rig: str) -> str:
    """Return a rig's name as one word that a folder may have."""
    return re.sub(r"[^A-Za-z0-9]+", "-", rig).strip("-") or "rig"


def free_folder(place: Path, word: str) -> Path:
    """Return a folder in ``place`` that is free, named by date and ``word``; not made."""
    stem = f"{datetime.datetime.now():%Y%m%d-%H%M%S}-{word}"
    free, number = place / stem, 1
    while free.exists():
        number += 1
        free = place / f"{stem}-{number}"
    return free
