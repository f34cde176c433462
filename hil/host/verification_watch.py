"""Verification of the rig, checked again before power comes.

While a rig host runs, a bring-up may end or go back a step, and a profile may be edited, so that
the host's copy differs from the file. The host checks before each power-on, while nothing moves.
In doubt the limits are the reduced ones.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from hil.control import Standing, safety_fingerprint, standing
from hil.profile import Profile, ProfileError, find_profile, load_profile, read_with_parts

Seen = dict[Path, tuple[int, int]]
RESTART = "Fix: restart the rig host, which then reads the profile again"


class VerificationWatch:
    """Watch on the verification: call ``look`` before power; ``standing`` is the latest result.

    Args:
        profile: profile in use by the host.
        found: its standing when the host began.
        file: the profile's file or shipped name; None for a profile without one.
        confirmed: confirmation that the operator typed to open the limits.
    """

    def __init__(
        self, profile: Profile, found: Standing, file: str | None = None, confirmed: str = ""
    ) -> None:
        self.standing = found
        self._profile = profile
        self._confirmed = confirmed
        self._file: Path | None = None
        self._as_loaded: Profile | None = None
        self._seen: Seen = {}
        if file is not None and profile.simulation is None:
            # A program may have made the profile: then it has no file.
            with contextlib.suppress(ProfileError):
                self._as_loaded = load_profile(find_profile(file))
                self._file = find_profile(file)
                self._seen = _seen(_files(self._file))

    def look(self) -> bool:
        """Look again; return whether the standing has changed."""
        if self._profile.simulation is not None:
            return False
        try:
            found = self._edited() or standing(self._profile, self._confirmed)
        except Exception as error:  # whatever the cause, the standing is unknown
            found = Standing(False, "unverified", f"unverified rig: {error}. {RESTART}")
        if found == self.standing:
            return False
        self.standing = found
        return True

    def _edited(self) -> Standing | None:
        """Return a standing if the profile's files have changed since they were read."""
        if self._file is None or self._as_loaded is None:
            return None
        if _seen(self._seen) == self._seen:
            return None
        try:
            same = safety_fingerprint(load_profile(self._file)) == safety_fingerprint(
                self._as_loaded
            )
            why = "has changed since the rig host began"
        except ProfileError as error:
            same, why = False, f"can no longer be read ({str(error).splitlines()[0]})"
        if same:
            self._seen = _seen(_files(self._file))
            return None
        text = f"unverified rig: the profile '{self._file.name}' {why}. {RESTART}"
        return Standing(False, "unverified", text)


def _files(file: Path) -> list[Path]:
    """Return the files that a profile is read from."""
    return sorted({file, *(Path(p.file) for p in read_with_parts(file).places.values())})


def _seen(files: Iterable[Path]) -> Seen:
    """Return modification time in ns and size of each; zeros for a file that is not found."""
    found: Seen = {}
    for file in files:
        try:
            status = file.stat()
            found[file] = (status.st_mtime_ns, status.st_size)
        except OSError:
            found[file] = (0, 0)
    return found
