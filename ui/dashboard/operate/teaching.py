"""Teaching of a sequence: what the operator does becomes a file. No Qt."""

from __future__ import annotations

from abc import ABC, abstractmethod
from pathlib import Path

from hil.core import Request, State
from hil.sequences import TakenDown
from ui.dashboard.bench import OperateModel, Session


class Teaching(ABC):
    """Part of :class:`ui.dashboard.operate.SequenceModel` that records a session by hand.

    Attributes:
        folder: where files are written.
        taken: the session being taught, or None.
    """

    model: OperateModel
    session: Session | None
    folder: Path
    taken: TakenDown | None
    _hung_kg: float | None

    @property
    @abstractmethod
    def running(self) -> bool:
        """True while a sequence runs."""

    @abstractmethod
    def pick_file(self, file: Path | str) -> None:
        """Reread the folder, and pick a file of it."""

    @abstractmethod
    def _say(self, text: str, wrong: bool) -> None:
        """Show a text, and whether it is bad news."""

    @property
    def why_not_take(self) -> str:
        """Reason why nothing can be taught now, '' if it can."""
        if self.taken is not None:
            return ""
        if self.running:
            return "a sequence runs"
        if self.session is None:
            return "no bench"
        if self.model.state is not State.DE_ENERGISED:
            return "power off first (P): a sequence begins without power"
        return self.model.lock_reason

    def toggle_take(self) -> None:
        """Begin to record what the operator does, or end and write the file."""
        if self.taken is None:
            if self.why_not_take:
                self._say(f"Nothing is taught: {self.why_not_take}.", True)
                return
            self.taken, self._hung_kg = TakenDown(), self.model.hung_kg
            self._say("", False)
            return
        taken, self.taken = self.taken, None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            file = self._free_name()
            taken.write(file, self.profile_name, self.model.time_s)
        except ValueError as error:
            self._say(f"No file: {error}.", True)
            return
        except OSError as error:
            self._say(f"Not written: {error.strerror} ({self.folder}).", True)
            return
        left_out = "".join(f" Left out: {text}." for text in dict.fromkeys(taken.left_out))
        self.pick_file(file)
        self._say(f"Written: {file}.{left_out}", bool(left_out))

    @property
    def profile_name(self) -> str:
        """Name of the profile as the file gives it."""
        named = self.session.profile_file if self.session is not None else None
        return named.stem if named is not None else self.model.profile.name

    def _accepted(self, request: Request) -> None:
        if self.taken is not None:
            self.taken.take(request, self.model.time_s)

    def _free_name(self) -> Path:
        number = 1
        while (file := self.folder / f"by_hand_{number}.yaml").exists():
            number += 1
        return file
