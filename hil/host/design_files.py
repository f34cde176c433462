"""Files of kept designs, in ``$XDG_STATE_HOME/hookeline/designs``; see ``hil.control.kept_designs``."""

from __future__ import annotations

import os
from pathlib import Path

from hil.core import (
    PrivateFileError,
    make_private_directory,
    read_private,
    replace_private,
    state_directory,
)

# Of one user: each rig needs three or four, and each change of a profile makes as many.
MOST_FILES = 100


class DesignFiles:
    """Store of designs as private files; the oldest are removed.

    Args:
        directory: where they are; None for the usual place. Without a private directory nothing is kept.
    """

    def __init__(self, directory: Path | None = None) -> None:
        self._directory: Path | None = None
        try:
            found = directory or state_directory("designs")
            make_private_directory(found)
        except (OSError, PrivateFileError, RuntimeError):  # RuntimeError: the user has no home
            return
        self._directory = found

    def get(self, key: str) -> str | None:
        """Return the text kept under ``key``; None if there is none that only this user can have written."""
        if self._directory is None:
            return None
        try:
            return read_private(self._directory / f"{key}.json")
        except (OSError, PrivateFileError, UnicodeDecodeError):
            return None

    def put(self, key: str, text: str) -> None:
        """Keep ``text`` if the disk takes it."""
        if self._directory is None:
            return
        try:
            # A name of its own: another rig host may start at the same moment.
            new = self._directory / f"{key}.{os.getpid()}"
            replace_private(new, text)
            new.replace(self._directory / f"{key}.json")
            self._prune(self._directory)
        except OSError:
            return

    @staticmethod
    def _prune(directory: Path) -> None:
        files = list(directory.iterdir())
        if len(files) > MOST_FILES:
            ages = sorted((file.stat().st_mtime, file) for file in files)
            for _, file in ages[: len(files) - MOST_FILES]:
                file.unlink(missing_ok=True)
