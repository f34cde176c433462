"""A sequence file being edited: text, errors, setpoints, and saving. No Qt."""

from __future__ import annotations

import os
import queue
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.motion import LENGTH, SPEED
from hil.profile import Problem, Profile, ProfileError
from hil.sequences import SEQUENCES, Preview, find_sequence, load_sequence, preview
from ui.dashboard.bench import OperateModel
from ui.dashboard.operate.axes_sequences import AxesPlans

NEW = """\
name: {name}
description: What it shows.
steps:
  - power_on
  - {{do: hold_position, position: {middle}, speed: {speed}, for: 2 s}}
  - power_off
"""
NAME = re.compile(r"[A-Za-z0-9 _.-]{1,60}")
MOST_BYTES = 1_000_000


@dataclass(frozen=True)
class Checked:
    """One check of the text: its problems and limited steps by line, and its setpoints."""

    text: str
    problems: tuple[Problem, ...] = ()
    limited: tuple[str, ...] = ()
    plan: Preview | None = None


class SequenceEditor:
    """Text of one file, checked in a separate thread by the reader used to perform it.

    Args:
        folder: folder of the user's sequences, the only place written to.

    Attributes:
        file: where it is saved. text: as typed. saved: as in the file.
        checked: the latest finished check; of ``text`` once ``up_to_date``.
        said, wrong: outcome of the last action, and whether it failed.
        axis, plans: with several axes, the name of this one, and their reader.
    """

    def __init__(self, model: OperateModel, folder: Path) -> None:
        self._model = model
        self.folder = folder
        self.file: Path | None = None
        self.text = self.saved = ""
        self.checked = Checked("")
        self.said, self.wrong = "", False
        self.axis = ""
        self.plans: AxesPlans | None = None
        self._checks: queue.SimpleQueue[Checked] = queue.SimpleQueue()
        self._checking = False
        self._ours = False  # the file is the one that was opened, or saved, here

    @property
    def profile(self) -> Profile:
        """Rig for which it is written."""
        return self._model.profile

    # ------------------------------------------------------------------ opening

    def open(self, picked: Path | str | None) -> bool:
        """Begin with the user's file, a copy of a shipped one, or a new one; return True if it could.

        Args:
            picked: a file of the user, the bare name of a shipped one, or None.
        """
        self.said, self.wrong = "", False
        try:
            if isinstance(picked, Path):
                self.text = self.saved = _read(picked)
                self.file, self._ours = picked, True
            else:
                self.file, self._ours = self._free(picked or "new"), False
                self.saved = ""
                self.text = _read(find_sequence(picked)[0]) if picked else self._new()
                if picked:
                    self.said = f"A copy of the shipped one, to be saved as {self.file.name}."
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "is not a text file"
            self._say(f"Not opened: {picked}: {reason}", True)
            return False
        self.checked = Checked("")
        self.check()
        return True

    def _new(self) -> str:
        limits = self._model.profile.limits
        assert self.file is not None
        return NEW.format(
            name=self.file.stem,
            middle=LENGTH.written(0.5 * (limits.travel.lower + limits.travel.upper), ".4g"),
            speed=SPEED.written(min(SPEED.of(30.0, 30.0), limits.speed.limited), ".4g"),
        )

    def _free(self, name: str) -> Path:
        number, file = 1, self.folder / f"{name}.yaml"
        while file.exists():
            number += 1
            file = self.folder / f"{name}_{number}.yaml"
        return file

    # ------------------------------------------------------------------ checking

    @property
    def dirty(self) -> bool:
        """True if the text differs from the file."""
        return self.text != self.saved

    @property
    def up_to_date(self) -> bool:
        """True if the latest check is of the current text."""
        return self.checked.text == self.text and not self._checking

    def write(self, text: str) -> None:
        """Take the text as typed."""
        self.text = text
        self.said = ""

    def check(self) -> None:
        """Check the text, unless a check is under way: then it is checked after that one."""
        if self._checking or self.file is None:
            return
        self._checking = True
        text, file, profile = self.text, self.file, self._model.profile
        axis, plans = self.axis, self.plans

        def look() -> None:
            problems: tuple[Problem, ...] = ()
            limited: tuple[str, ...] = ()
            plan = None
            try:
                joint = plans.read(file, text) if plans is not None else None
                if joint is not None:
                    plan = joint.plans[axis]
                    problems = tuple(one for each in joint.plans.values() for one in each.refused)
                    limited = tuple(
                        f"{name}: {one}"
                        for name, each in joint.plans.items()
                        for one in each.limited
                    )
                else:
                    plan = preview(load_sequence(file, text=text), profile)
                    problems, limited = plan.refused, plan.limited
            except ProfileError as error:
                problems = tuple(error.problems)
            except Exception as error:  # the panel must be informed
                what = f"cannot be read ({type(error).__name__}: {error})"
                problems = (Problem(str(file), 0, 0, "", what, ""),)
            self._checks.put(Checked(text, problems, limited, plan))

        threading.Thread(target=look, name="check sequence", daemon=True).start()

    def turn(self) -> None:
        """Take the result of a check; check again if the text changed meanwhile."""
        while not self._checks.empty():
            self.checked = self._checks.get()
            self._checking = False
            if self.checked.text != self.text:
                self.check()

    @property
    def lines(self) -> dict[int, str]:
        """Problems by line (0: whole file) of the text as last checked."""
        found: dict[int, str] = {}
        own = str(self.file)
        for problem in self.checked.problems:
            here = problem.line if problem.file == own else 0
            place = "" if problem.file == own else f"{problem.file}: "
            key = f"{problem.key}: " if problem.key else ""
            words = f"{place}{key}{problem.what}" + (f"; {problem.fix}" if problem.fix else "")
            found.setdefault(here, words)
        return dict(sorted(found.items()))

    # ------------------------------------------------------------------ saving

    def save(self, ask: Callable[[], None] | None = None) -> bool:
        """Write the whole file; return True if it was written.

        A file that is not ours is never overwritten: a shipped one, one created since, or one
        changed meanwhile. ``ask`` is called once it is written.
        """
        file = self.file
        if file is None:
            return False
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            if file.resolve().is_relative_to(SEQUENCES.resolve()):
                self.file, self._ours = self._free(file.stem), False
                file = self.file
            if self._ours:
                if file.exists() and _read(file) != self.saved:
                    return self._say(
                        f"Not saved: {file.name} was changed by another program. Fix: open it again",
                        True,
                    )
                part = file.with_suffix(".part")
                _write(part, self.text, "w")
                os.replace(part, file)
            else:
                _write(file, self.text, "x")
        except FileExistsError:
            other = self._free(file.stem)
            self.file = other
            return self._say(
                f"Not saved: {file.name} now exists. Fix: save again, as {other.name}", True
            )
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "is not a text file"
            return self._say(f"Not saved: {reason} ({file})", True)
        self.saved, self._ours = self.text, True
        bad = self.up_to_date and bool(self.checked.problems)
        self._say(f"Saved: {file}" + (", with its errors" if bad else ""), False)
        if ask is not None:
            ask()
        return True

    def _say(self, text: str, wrong: bool) -> bool:
        self.said, self.wrong = text, wrong
        return False


def _read(file: Path) -> str:
    with file.open("rb") as stream:
        raw = stream.read(MOST_BYTES + 1)
    return raw[:MOST_BYTES].decode("utf-8")


def _write(file: Path, text: str, mode: str) -> None:
    with file.open(mode, encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
