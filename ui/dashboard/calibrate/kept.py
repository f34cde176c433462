"""Earlier calibrations of the rig, as the Calibrate page lists, compares and uses them. No Qt."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hil.calibration import (
    CalibrationFile,
    CalibrationFileError,
    Comparison,
    check_belongs,
    check_samples,
    compare,
    list_calibrations,
)
from hil.profile import Profile


@dataclass(frozen=True, eq=False)
class Kept:
    """A calibration on the disk.

    Attributes:
        file: None if it cannot be read.
        problem: why it cannot be used on this rig, '' if it can.
    """

    file: CalibrationFile | None
    problem: str

    @property
    def path(self) -> Path | None:
        return self.file.path if self.file is not None else None


@dataclass(frozen=True, eq=False)
class Compared:
    """Two calibrations compared; without ``found``, ``problem`` says why they cannot be."""

    first: CalibrationFile
    second: CalibrationFile
    found: Comparison | None
    problem: str = ""


class KeptCalibrations:
    """List of calibrations, read in separate threads: that takes longer than a heartbeat may.

    Args:
        folder: where they are.
        tell: takes what is to be done on the page's own thread.

    Attributes:
        rows: newest first.
        first: the one that others are compared with, or None.
        compared: outcome of the comparison, or None.
        message: why the folder cannot be read.
        reading: a list is being read.
    """

    def __init__(self, folder: Path, tell: Callable[[Callable[[], None]], None]) -> None:
        self.folder = folder
        self.rows: list[Kept] = []
        self.first: Kept | None = None
        self.compared: Compared | None = None
        self.message = ""
        self.reading = False
        self._again: Profile | None = None
        self._second: CalibrationFile | None = None
        self._tell = tell

    def renew(self, profile: Profile) -> None:
        """Read the folder again."""
        if self.reading:
            self._again = profile  # it may have missed what is new
            return
        self.reading = True
        self._in_background(lambda: self._list(profile))

    def compare_with(self, kept: Kept | None) -> None:
        """Take this as the first of two; with the same again, or None, end the comparison."""
        again = kept is None or (self.first is not None and kept.path == self.first.path)
        self.first = None if again else kept
        self.compared = self._second = None

    def look_at(self, kept: Kept) -> None:
        """Take this as the second of two, if a first has been taken."""
        first = self.first.file if self.first is not None else None
        if first is None or kept.file is None or kept.path == first.path:
            self.compared = self._second = None
            return
        second = kept.file
        if self._second is not second:
            self.compared, self._second = None, second
            self._in_background(lambda: self._compare(first, second))

    def check(
        self,
        kept: Kept,
        profile: Profile,
        good: Callable[[CalibrationFile], None],
        bad: Callable[[str], None],
    ) -> None:
        """Check that it may be used on this rig now; call ``good`` or ``bad``."""
        file = kept.file
        if file is None:
            bad(kept.problem)
            return
        self._in_background(lambda: self._check(file, profile, good, bad))

    # -- in a separate thread --------------------------------------------------------------

    @staticmethod
    def _in_background(act: Callable[[], None]) -> None:
        threading.Thread(target=act, name="calibrations", daemon=True).start()

    def _list(self, profile: Profile) -> None:
        rows: list[Kept] = []
        message = ""
        try:
            found = list_calibrations(self.folder) if self.folder.is_dir() else []
        except CalibrationFileError as error:
            found, message = [], str(error)
        for file in reversed(found):
            if isinstance(file, CalibrationFileError):
                rows.append(Kept(None, str(file)))
                continue
            try:
                check_belongs(file, profile)
            except CalibrationFileError as error:
                rows.append(Kept(file, str(error)))
            else:
                rows.append(Kept(file, ""))
        self._tell(lambda: self._have(rows, message))

    def _have(self, rows: list[Kept], message: str) -> None:
        self.rows, self.message, self.reading = rows, message, False
        if self.first is not None:
            paths = [kept.path for kept in rows]
            self.first = rows[paths.index(self.first.path)] if self.first.path in paths else None
            self.compared = self._second = None
        if self._again is not None:
            profile, self._again = self._again, None
            self.renew(profile)

    def _compare(self, first: CalibrationFile, second: CalibrationFile) -> None:
        try:
            done = Compared(first, second, compare(first, second))
        except CalibrationFileError as error:
            done = Compared(first, second, None, str(error))
        self._tell(lambda: self._have_compared(done))

    def _have_compared(self, done: Compared) -> None:
        # The comparison with one looked at in passing may be ready later.
        if (
            self.first is not None
            and self.first.file is done.first
            and (done.second is self._second)
        ):
            self.compared = done

    def _check(
        self,
        file: CalibrationFile,
        profile: Profile,
        good: Callable[[CalibrationFile], None],
        bad: Callable[[str], None],
    ) -> None:
        try:
            check_belongs(file, profile)
            check_samples(file)
        except CalibrationFileError as error:
            text = str(error)
            self._tell(lambda: bad(text))
        else:
            self._tell(lambda: good(file))
