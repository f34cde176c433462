"""Verification of the rig, looked at again before power comes.

A bring-up may end, or take a step back, while a rig host runs; and a profile may be edited, so
that what the host works to is no longer what is written. The host looks before each power-on,
while nothing moves. In doubt the limits are the reduced ones.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from hil.control import Standing, safety_fingerprint, standing
from hil.profile import Profile, ProfileError, find_profile, load_profile, read_with_parts

Seen = dict[Path, tuple[int, int]]
RESTART = "Fix: restart the rig host, which reads the profile anew"


class VerificationWatch:
    """``look`` before power; ``standing`` is what was found last.

    Args:
        profile: that the host works to.
        found: its standing when the host began.
        file: the profile's file or shipped name; None for a profile without one.
        confirmed: what a person typed to open the limits.
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
            # A program may have made the profile: then no file says what it is.
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
        except Exception as error:  # whatever it is, nothing is known for sure
            found = Standing(False, "unverified", f"unverified rig: {error}. {RESTART}")
        if found == self.standing:
            return False
        self.standing = found
        return True

    def _edited(self) -> Standing | None:
        """Return a standing if the profile's files say something else than when they were read."""
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
            same, why = False, f"cannot be read any more ({str(error).splitlines()[0]})"
        if same:
            self._seen = _seen(_files(self._file))
            return None
        text = f"unverified rig: the profile '{self._file.name}' {why}. {RESTART}"
        return Standing(False, "unverified", text)


def _files(file: Path) -> list[Path]:
    """Return the files that a profile is read from."""
    return sorted({file, *(Path(p.file) for p in read_with_parts(file).places.values())})


def _seen(files: Iterable[Path]) -> Seen:
    """Return time of change in ns and size of each; zeros for one that cannot be found."""
    found: Seen = {}
    for file in files:
        try:
            told = file.stat()
            found[file] = (told.st_mtime_ns, told.st_size)
        except OSError:
            found[file] = (0, 0)
    return found
