"""Measured values that a bring-up proposes, written into the rig's profile. No Qt."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from hil.bringup import BringUpRecord, RecordError, Step, profile_hash
from hil.profile import Profile, ProfileError, load_profile, write_back
from ui.dashboard.guided import Question

START_ANEW = (
    "Close this bench and start it again with this profile: until then it works with the previous "
    "values."
)


class ProfileValues:
    """Offer of values for the profile, which are written once confirmed.

    Args:
        running: the profile that the rig runs with, on which the values were measured.
        file: that profile's, None if it is not known here.

    Attributes:
        question: whether to write, or None.
        writing: values are being written.
        written: they have been written, so that the bench must be restarted.
    """

    def __init__(self, running: Profile, steps: Sequence[Step], file: Path | None) -> None:
        self.question: Question | None = None
        self.writing = self.written = False
        self._running, self._steps, self._file = running, steps, file
        self._offered: tuple[Path, dict[str, str]] | None = None

    @property
    def in_the_way(self) -> str:
        """Why nothing can be verified now, '' if it can."""
        if self.writing:
            return "values are being written into the profile"
        return START_ANEW if self.written else ""

    def offer(self, changes: Mapping[str, str], folder: Path) -> str:
        """Ask; return why not, or ''. ``folder`` is the record's."""
        if self.writing:
            return "Writing."
        if self._file is None:
            return (
                "This window does not know where the rig's profile is. Fix: there, hookeline bringup "
                f"--profile FILE --resume {folder} --apply"
            )
        values = "; ".join(f"{key}: {value}" for key, value in changes.items())
        self._offered = folder, dict(changes)
        self.question = Question(
            "confirm",
            f"Write into {self._file.name}? {values}. Comments stay, and a copy of the file is "
            "kept.",
        )
        return ""

    def write(self, report: Callable[[str, bool], None]) -> None:
        """Write what was offered, in a thread; ``told`` receives the outcome, and whether done."""
        assert self._offered is not None and self._file is not None
        file, (folder, changes) = self._file, self._offered
        self.writing = True

        def work() -> None:
            text = ""
            try:
                text = write_values(file, self._running, folder, self._steps, changes)
                self.written = True
            except (RecordError, ProfileError, OSError) as error:
                text = str(error)
            except Exception as error:  # the page must be informed that writing has ended
                text = f"writing has failed ({type(error).__name__}: {error})"
            finally:
                self.writing = False
                report(text, self.written)

        # Reading and checking a profile takes longer than a heartbeat may.
        threading.Thread(target=work, daemon=True).start()


def write_values(
    file: Path, running: Profile, folder: Path, steps: Sequence[Step], changes: Mapping[str, str]
) -> str:
    """Write ``changes`` into ``file``, note it in the record in ``folder``; return what was done.

    Args:
        running: the profile that the rig runs with, on which the values were measured.

    Raises:
        ProfileError, OSError: see ``hil.profile.write_back``; nothing is changed then.
        RecordError: the file is no longer the profile of the running rig, or no record is there.
    """
    before = load_profile(file)
    if profile_hash(before) != profile_hash(running):
        raise RecordError(
            f"'{file}' has changed since this bench was started: nothing was written; restart the "
            "bench and continue the record, or undo the change"
        )
    with contextlib.closing(BringUpRecord.load(folder, before, steps)) as record:
        written = write_back(file, changes)
        record.applied(load_profile(file), dict(changes))
    files = ", ".join(f"{w.file.name} (backup: {w.backup.name})" for w in written)
    return f"Written into {files}. {START_ANEW}"
