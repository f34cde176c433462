"""A profile with its base and its parts as one file, for use elsewhere."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import yaml

from hil.profile.loader import find_profile, read_with_parts


def single_file(path: str | Path) -> tuple[str, dict[str, Path]]:
    """Return a profile as YAML text of one file, and the files that go with it, by name.

    Quantities keep their written units; comments are dropped.

    Raises:
        ProfileError: the file, its base or a part cannot be read.
    """
    file = find_profile(path)
    data = read_with_parts(file).data
    drive, beside = without_folders(data.get("drive"))
    if drive is not None:
        data["drive"] = drive
    return yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=100), beside


def without_folders(drive: Any) -> tuple[Any, dict[str, Path]]:
    """Return a copy of a profile's drive with data file names without folders, and the files."""
    beside: dict[str, Path] = {}

    def strip(part: Any) -> None:
        if not isinstance(part, dict):
            return
        for key in ("eds", "dbc"):
            if isinstance(part.get(key), str) and part[key]:
                file = Path(part[key])
                beside[file.name] = file
                part[key] = file.name
        members = part.get("members")
        for member in members.values() if isinstance(members, dict) else ():
            strip(member)

    drive = deepcopy(drive)
    strip(drive)
    return drive, beside
