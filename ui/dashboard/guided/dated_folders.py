"""Folders of earlier work on a rig, named by date and rig. No Qt."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

MOST_KEPT = 20


@dataclass(frozen=True)
class KeptFolder:
    """A folder on the disk; ``holds`` gives how much it holds, as text."""

    folder: Path
    holds: str

    @property
    def text(self) -> str:
        """Date from its name, and what it holds."""
        begun = re.match(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)", self.folder.name)
        name = "{}-{}-{} {}:{}".format(*begun.groups()) if begun else self.folder.name
        return f"{name} · {self.holds}"


def newest_folders(
    place: Path, wanted: Callable[[Path], bool] = lambda _folder: True, most: int = MOST_KEPT
) -> list[Path]:
    """Return ``wanted`` folders in ``place``, newest first; none if it cannot be read."""
    try:
        folders = sorted((path for path in place.iterdir() if path.is_dir()), reverse=True)
    except OSError:
        return []
    # One after another: folders older than the last one listed need not be read.
    return list(islice(filter(wanted, folders), most))
