"""The steps of a bring-up as a list."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtWidgets import QListWidgetItem

from hil.bringup import Verdict
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.guided import RUNNING, StepRows
from ui.dashboard.widgets import Sizes, Theme

WORDS = {
    Verdict.PASS: "passed",
    Verdict.FAIL: "failed",
    Verdict.NEEDS_PERSON: "needs you",
    Verdict.NOT_RUN: "not run",
    RUNNING: "runs now",
}


class StepList(StepRows):
    """Each step with a word for how it stands."""

    def __init__(
        self, bringup: BringUpModel, theme: Theme, sizes: Sizes, look_at: Callable[[str], None]
    ) -> None:
        super().__init__("Steps of the bring-up", theme, sizes)
        self._bringup = bringup
        for step in bringup.steps:
            self.addItem(QListWidgetItem(step.title))
        self._filling = False

        def chosen(row: int) -> None:
            if not self._filling:
                look_at(bringup.steps[row].key)

        self.currentRowChanged.connect(chosen)
        self.refresh()

    def refresh(self) -> None:
        bringup = self._bringup
        self._filling = True
        for row, step in enumerate(bringup.steps):
            state = bringup.state_of(step)
            self.put(row, state, WORDS[state])
        shown = bringup.steps.index(bringup.shown)
        if self.currentRow() != shown:
            self.setCurrentRow(shown)
        self._filling = False
