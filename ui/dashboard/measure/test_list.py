"""The tests of the plan as a list: the status of each, and which are picked."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from hil.bringup import Verdict
from hil.measure import GuardedTest, duration_words
from ui.dashboard.guided import RUNNING, GuidedRows
from ui.dashboard.measure.model import MeasureModel
from ui.dashboard.widgets import Sizes, Theme


def standing(measuring: MeasureModel, test: GuardedTest) -> tuple[str, str]:
    """Return shape (see ``StepRows.put``) and word for the status of a test."""
    if measuring.current is test:
        return RUNNING, "running"
    if test.key in measuring.ends:
        return Verdict.FAIL, measuring.ends[test.key].how
    again = not measuring.running and test.key in measuring.picked
    result = measuring.results.get(test.key)
    if result is not None:
        word = "no figures" if result.problem else "measured"
        return (
            (Verdict.NEEDS_PERSON if result.problem else Verdict.PASS),
            f"{word}, again" if again else word,
        )
    if measuring.evaluating(test):
        return Verdict.NOT_RUN, "figures soon"
    if test.key in measuring.picked:
        return Verdict.NOT_RUN, duration_words(test.lasts_s(measuring.profile))
    return Verdict.NOT_RUN, "excluded"


class PlanList(GuidedRows):
    """List in which up and down choose a test to look at; the page's keys pick."""

    def __init__(
        self, measuring: MeasureModel, theme: Theme, sizes: Sizes, look_at: Callable[[str], None]
    ) -> None:
        super().__init__(
            measuring, "Tests of the plan", partial(standing, measuring), theme, sizes, look_at
        )
        self.itemDoubleClicked.connect(lambda _item: measuring.pick(measuring.shown.key))
