"""The steps of a bring-up as a list."""

from __future__ import annotations

from collections.abc import Callable

from hil.bringup import Step, Verdict
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.guided import RUNNING, GuidedRows
from ui.dashboard.widgets import Sizes, Theme

WORDS = {
    Verdict.PASS: "passed",
    Verdict.FAIL: "failed",
    Verdict.NEEDS_PERSON: "needs you",
    Verdict.NOT_RUN: "not run",
    RUNNING: "running",
}


class StepList(GuidedRows):
    """Each step with a word for its status."""

    def __init__(
        self, bringup: BringUpModel, theme: Theme, sizes: Sizes, look_at: Callable[[str], None]
    ) -> None:
        def standing(step: Step) -> tuple[str, str]:
            state = bringup.state_of(step)
            return state, WORDS[state]

        super().__init__(bringup, "Steps of the bring-up", standing, theme, sizes, look_at)
