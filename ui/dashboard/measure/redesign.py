"""A redesigned force loop: proposed by the test Plant, tried, and written if it passes. No Qt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.control import safety_fingerprint
from hil.core import TriedPlant, free_path
from hil.measure import (
    TRIED,
    EvaluatedRun,
    GuardedTest,
    Trial,
    judge_trial,
    on_trial,
    proposed_changes,
    sheet_of,
    tried_plant,
    write_sheet,
)
from hil.profile import SHIPPED, Profile, ProfileError, load_profile, write_back
from ui.dashboard.guided import Question
from ui.dashboard.measure.filing import keep_run

PLANT = "plant"
FOLDER = "redesign"  # in that of the measurement
START_ANEW = "Close this bench and start it again with this profile, then measure again."


@dataclass(frozen=True, eq=False)
class TriedRedesign:
    """Trial that has ended; ``folder`` has its run and data sheet."""

    changes: Mapping[str, str]
    trial: Trial
    folder: Path


class Redesign:
    """Proposal of a measurement, its trial, and the profile that may take it over.

    Args:
        running: the profile that the rig runs with.
        file: that profile's, None if it is not known here.

    Attributes:
        changes: proposed values by their key in the profile, empty if none are.
        tried: the last trial of them, or None.
        question: whether to write them, or None.
        written: they have been written, so that the bench must be restarted.
    """

    def __init__(self, running: Profile, file: Path | None) -> None:
        self.changes: dict[str, str] = {}
        self.tried: TriedRedesign | None = None
        self.question: Question | None = None
        self.written = False
        self._running, self._file = running, file
        self._plant = TriedPlant()

    def look_at(self, results: Mapping[str, EvaluatedRun]) -> None:
        """Take the proposal of these results, by the test's key."""
        plant = results.get(PLANT)
        changes: dict[str, str] = {}
        if plant is not None and not plant.problem:
            changes, profile = proposed_changes(self._running, plant.characteristics)
            self._plant = tried_plant(profile)
        if changes != self.changes:
            self.changes, self.tried, self.question = changes, None, None

    @property
    def why_not_try(self) -> str:
        """Why nothing can be tried now, '' if it can."""
        if self.changes:
            return ""
        return "no redesign is proposed: measure Plant; it proposes one if the plant differs"

    @property
    def accepted(self) -> bool:
        """True if a trial has shown that the proposal may be taken over."""
        return self.tried is not None and self.tried.trial.accepted and not self.written

    def test(self, tests: Sequence[GuardedTest]) -> GuardedTest:
        """Return the test that tries it, on a loop designed for it."""
        (test,) = (test for test in tests if test.key == TRIED)
        return on_trial(test, self._plant)

    def judge(
        self, run: Path, measurement: Path, test: GuardedTest, results: Mapping[str, EvaluatedRun]
    ) -> TriedRedesign:
        """File the run of a trial and compare it with the gains in force; takes seconds.

        Raises:
            RunError: it cannot be read.
            OSError: the folder cannot be written.
        """
        folder = free_path(measurement / FOLDER)
        tried = keep_run(run, folder, test)
        after = sheet_of([tried], [test])
        write_sheet(after, folder)
        before = sheet_of(list(results.values()), [result.test for result in results.values()])
        return TriedRedesign(dict(self.changes), judge_trial(before, after), folder)

    def offer(self) -> str:
        """Prompt whether to write what was tried; return why not, or ''."""
        command = "'hookeline measure --propose DIR --apply --profile FILE'"
        if self._file is None:
            return f"This window does not know where the rig's profile is. Fix: there, {command}."
        if self._file.resolve().is_relative_to(SHIPPED):
            return f"A shipped profile is not written to: copy it, then {command}."
        values = "; ".join(f"{key}: {value}" for key, value in self.changes.items())
        self.question = Question(
            "confirm",
            f"Write into {self._file.name}? {values}. Comments stay, and a copy of the file is kept.",
        )
        return ""

    def write(self) -> tuple[str, bool]:
        """Write what was offered; return the outcome as text, and whether it is written."""
        assert self._file is not None
        try:
            if safety_fingerprint(load_profile(self._file)) != safety_fingerprint(self._running):
                return (
                    f"'{self._file}' has changed since this bench was started: nothing was written. "
                    "Fix: restart the bench and measure again, or undo the change.",
                    False,
                )
            written = write_back(self._file, self.changes)
        except (ProfileError, OSError) as error:
            return f"Nothing was written: {error}", False
        files = ", ".join(f"{w.file.name} (backup: {w.backup.name})" for w in written)
        return f"Written into {files}. {START_ANEW}", True
