"""Names of files kept on disk: dated, with the rig's name as one word, and unused."""

from __future__ import annotations

import datetime
import re
from pathlib import Path


def one_word(name: str) -> str:
    """Return a rig's name as one word for a file name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-") or "rig"


def dated(word: str, at: datetime.datetime | None = None) -> str:
    """Return ``word`` prefixed with date and time, by default the current ones."""
    return f"{at or datetime.datetime.now():%Y%m%d-%H%M%S}-{word}"


def free_path(path: Path) -> Path:
    """Return ``path``, with the next free number from 2 after its stem if it exists; not created."""
    free, number = path, 1
    while free.exists():
        number += 1
        free = path.with_stem(f"{path.stem}-{number}")
    return free
