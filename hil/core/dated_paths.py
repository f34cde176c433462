"""Names of what is kept on the disk: dated, with the rig's name as one word, and free."""

from __future__ import annotations

import datetime
import re
from pathlib import Path


def one_word(name: str) -> str:
    """Return a rig's name as one word that a file may have."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-") or "rig"


def dated(word: str, at: datetime.datetime | None = None) -> str:
    """Return ``word`` with date and time before it, those of now if not given."""
    return f"{at or datetime.datetime.now():%Y%m%d-%H%M%S}-{word}"


def free_path(path: Path) -> Path:
    """Return ``path``, with the least number from 2 on at the end of its stem if it exists; not made."""
    free, number = path, 1
    while free.exists():
        number += 1
        free = path.with_stem(f"{path.stem}-{number}")
    return free
