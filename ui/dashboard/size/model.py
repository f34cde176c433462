"""The Size page in plain Python: combinations computed in the background, one of them chosen."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.motion import spoken
from hil.profile import ProfileError, examine_profile
from hil.sizing import (
    Chart,
    Sensitivity,
    Sized,
    SizingError,
    force_over_frequency,
    force_over_speed,
    load_parts,
    load_requirements,
    profile_text,
    sensitivities,
    sequence_beside,
    sequence_text,
    shipped_requirements,
    size,
)


@dataclass(frozen=True)
class Choice:
    """One combination with all that the page shows of it."""

    one: Sized
    speed: Chart
    frequency: Chart
    sensitivities: tuple[Sensitivity, ...]


@dataclass(frozen=True)
class _Found:
    """All combinations of one run, numbered so that a late one does not replace a newer."""

    run: int
    combinations: list[Sized]


def _shipped_example() -> str:
    """Return the first shipped requirements for an actuator of the rig's kind of motion."""
    names = shipped_requirements()
    own = (name for name in names if load_requirements(name).motion == spoken())
    return next(own, names[0] if names else "")


class SizeModel:
    """Sizing in a separate thread; ``take`` takes the results.

    Attributes:
        required, parts, target: files as typed.
        found: combinations, best first.
        chosen: the one shown, or None.
        text: status, or what is wrong.
    """

    def __init__(self) -> None:
        self.required = _shipped_example()
        self.parts = "parts"
        self.target = "sized.yaml"
        self.found: list[Sized] = []
        self.chosen: Choice | None = None
        self.text = "G combines all parts. The shipped files are invented: name your own."
        self.busy = False
        self._run = 0
        self._asked = ""  # name of the combination that was chosen last
        self._answers: queue.SimpleQueue[_Found | Choice | str] = queue.SimpleQueue()

    def begin(self, required: str, parts: str) -> None:
        """Read both files and size, in the background."""
        self.required, self.parts = required.strip(), parts.strip()
        self._run += 1
        self.busy, self.text = True, "combining parts …"
        run, names = self._run, (self.required, self.parts)
        self._start(lambda: _Found(run, size(load_requirements(names[0]), load_parts(names[1]))))

    def choose(self, number: int) -> None:
        """Show a combination by its place in ``found``; its loop is designed in the background."""
        if not 0 <= number < len(self.found):
            return
        one = self.found[number]
        if one.choice.name == self._asked:
            return
        self._asked = one.choice.name
        self._start(lambda: _choice(one))

    def write_profile(self, target: str) -> None:
        """Write the profile of the chosen combination; an existing file is kept."""
        self.target = target.strip()
        path = Path(self.target)
        if self.chosen is None:
            self.text = "No combination is chosen. Fix: G, then choose one."
            return
        if not self.target or path.exists() or sequence_beside(path).exists():
            self.text = f"'{self.target}' already exists. Fix: name another file."
            return
        try:
            path.write_text(profile_text(self.chosen.one.choice), encoding="utf-8")
            session = sequence_text(self.chosen.one.choice)
            sequence_beside(path).write_text(session, encoding="utf-8")
        except ProfileError as error:
            self.text = str(error)
            return
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            self.text = f"'{self.target}': {reason}. Fix: name another file."
            return
        errors = examine_profile(path).errors
        self.text = (
            f"Written, but the profile contradicts itself: {errors[0]}"
            if errors
            else f"Written: hookeline demo --profile {path} --lockstep"
        )

    def take(self) -> bool:
        """Take the results of the background; return True if anything changed."""
        changed = False
        while not self._answers.empty():
            answer = self._answers.get()
            changed = True
            if isinstance(answer, _Found):
                if answer.run != self._run:
                    continue
                self.busy, self.found, self._asked, self.chosen = (
                    False,
                    answer.combinations,
                    "",
                    None,
                )
                met = sum(one.met and one.designed for one in self.found)
                invented = " Parts are invented." if self.parts == "parts" else ""
                self.text = (
                    f"{len(self.found)} combinations; of the best, {met} meet all requirements."
                    f"{invented}"
                )
                self.choose(0)
            elif isinstance(answer, Choice):
                if answer.one.choice.name == self._asked:
                    self.chosen = answer
                    self._replace(answer.one)
            else:
                self.busy, self.text = False, answer
        return changed

    def _replace(self, designed: Sized) -> None:
        names = [one.choice.name for one in self.found]
        self.found[names.index(designed.choice.name)] = designed

    def _start(self, act: Callable[[], _Found | Choice]) -> None:
        def work() -> None:
            try:
                self._answers.put(act())
            except (ProfileError, SizingError) as error:
                self._answers.put(str(error))

        threading.Thread(target=work, daemon=True).start()


def _choice(one: Sized) -> Choice:
    designed = one.with_loop()
    choice = designed.choice
    return Choice(
        designed,
        force_over_speed(choice),
        force_over_frequency(choice),
        tuple(sensitivities(choice)),
    )
