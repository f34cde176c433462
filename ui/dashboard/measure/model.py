"""The Measure page in plain Python: the plan, prompts, figures as they come in.

No Qt here.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from hil.bench import LOST, WHY_OPEN
from hil.control import profile_in_force
from hil.link import connect_beside
from hil.measure import (
    MEASURED,
    TESTS,
    EndOfTest,
    EvaluatedRun,
    GuardedTest,
    measure_all,
    new_measurement_folder,
    tests_length_s,
)
from hil.profile import Profile
from hil.recorder import RunError
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided import GuidedModel, Question, end_text, why_not_begin
from ui.dashboard.measure.filing import (
    keep_run,
    kept_measurements,
    read_measurement,
    write_data_sheet,
)
from ui.dashboard.measure.redesign import PLANT, START_ANEW, Redesign, TriedRedesign
from ui.dashboard.measure.words import summary

RECORDED_S = 60.0  # for the recorder to finish the last run
KEPT = (
    "The rig was left with power off; finished tests are kept. After a stop reset (T), then "
    "continue (G)."
)


class MeasureModel(GuidedModel[GuardedTest]):
    """View model of the page.

    Args:
        model, session: model and session of the window; without a session nothing can be begun.
        runs: folder of runs; measurements are kept next to it, in ``measured``.
        tests: tests of the plan, in order.

    Attributes:
        picked: keys of the tests that will be run.
        results: results of the measurement that is shown, by the test's key.
        ends: how tests ended that did not finish, by key.
        sheet: its data sheet (HTML), or None.
        last_seconds: ``live`` before a test was ended by something else, by its key.
        filing: number of runs that are being evaluated and sheets that are being written.
        redesign: redesign of the force loop, as the test Plant proposes it.
    """

    NAME = "measure"
    FAILED = "The measurement has failed ({})."

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None,
        tests: Sequence[GuardedTest] = TESTS,
    ) -> None:
        super().__init__(model, session)
        self.tests = tests
        self.picked = {test.key for test in tests if not test.on_request}
        self.results: dict[str, EvaluatedRun] = {}
        self.ends: dict[str, EndOfTest] = {}
        self.sheet: Path | None = None
        self.last_seconds: dict[str, list[tuple[float, float, float]]] = {}
        self.filing = 0
        self.redesign = Redesign(
            model.own_profile, session.profile_file if session is not None else None
        )
        self._tried: GuardedTest | None = None  # the trial that runs, or is being judged
        self._runs = runs
        self._measured = Path(MEASURED) if runs is None else runs.parent / MEASURED
        self._one_at_a_time = threading.Lock()
        self._awaited: dict[str, GuardedTest] = {}  # runs that the recorder still writes
        self._recorded: set[str] = set()
        self._finished: set[str] = set()  # tests, since the last begin
        self._plan: list[GuardedTest] = []
        self._begun_s = self._whole_s = 0.0

    # ------------------------------------------------------------------ what the link brings

    def _event(self, event: Mapping[str, Any]) -> None:
        if event.get("kind") == "recorded":
            self._recorded.add(str(event.get("run", "")))
            self._keep_recorded()

    # ------------------------------------------------------------------ status

    @property
    def listed(self) -> Sequence[GuardedTest]:
        return self.tests

    @property
    def question(self) -> Question | None:
        return super().question if self.operator is not None else self.redesign.question

    @property
    def why_not_try(self) -> str:
        """Why the redesign can be neither tried nor written now, '' if it can."""
        if self.redesign.accepted:  # writing needs no rig
            return "it is already running" if self.running else ""
        return self.redesign.why_not_try or self.why_not_begin

    @property
    def record_text(self) -> str:
        """Place of the measurement that is shown."""
        return f"Ended · measurement {self.folder}" if self.folder else "Ended"

    @property
    def why_not_begin(self) -> str:
        """Why nothing can be begun now, '' if it can."""
        if self.running:
            return "it is already running"
        if self.filing:
            return "the last runs are being evaluated"
        if self.redesign.written:
            return f"the profile was written. {START_ANEW.rstrip('.')}"
        if self._runs is None and self.session is not None:
            return "the folder of runs is not known to this window; start it with --runs"
        why = why_not_begin(self.model, self.session)
        if not why and self.model.reference in WHY_OPEN:
            how = "lost" if self.model.reference == LOST else "not verified"
            return f"the reference is {how}: obtain it on the page Operate (O), then continue (G)"
        return why

    def evaluating(self, test: GuardedTest) -> bool:
        """Return True if the test has ended well, and its figures are being computed."""
        return test.key in self._finished and test.key not in self.results

    @property
    def profile(self) -> Profile:
        return self.model.profile

    @property
    def left_s(self) -> float:
        """Time that the tests still take, without manual work; of the plan if none runs."""
        if not self.running:
            return tests_length_s((t for t in self.tests if t.key in self.picked), self.profile)
        left = tests_length_s(self._plan, self.profile)
        if self.current is None:
            return left
        return left - min(time.monotonic() - self._begun_s, self.current.lasts_s(self.profile))

    @property
    def share_done(self) -> float:
        """Share of the time of the tests begun now that has passed, 0 to 1; NaN if none runs."""
        if not self.running or not self._whole_s:
            return float("nan")
        return 1.0 - self.left_s / self._whole_s

    # ------------------------------------------------------------------ acts

    def pick(self, key: str) -> None:
        """Include a test in the plan, or leave it out."""
        if not self.running:
            self.picked ^= {key}

    def renew_kept(self) -> None:
        """Look again for measurements of this rig."""
        self.kept = kept_measurements(self._measured, self.profile.name)

    def choose(self, folder: Path | None) -> None:
        """Show this measurement and continue it, None for a new one."""
        if self.running or self.filing or folder == self.folder:
            return
        self.folder, self.sheet, self.results, self.ends = folder, None, {}, {}
        self.looked_at, self.message, self.wrong = "", "", False
        self.redesign.look_at(self.results)
        self.picked, self._finished = {test.key for test in self.tests}, set()
        if folder is not None:
            self._in_background(
                lambda: read_measurement(folder, self.tests), partial(self._have_read, folder)
            )

    def begin(self, only: str = "") -> None:
        """Run the picked tests, or ``only`` this one."""
        plan = [t for t in self.tests if t.key == only or (not only and t.key in self.picked)]
        why = self.why_not_begin or ("" if plan else "no test is selected: - includes one")
        if why or self.session is None:
            self.message, self.wrong = f"Not begun: {why}.", True
            return
        if self.folder is None:
            self.folder = new_measurement_folder(self._measured, self.profile.name)
            self.results = {}
        self._run_plan(self.session, plan)

    def use(self) -> None:
        """Try the proposed redesign; once it passes, prompt whether to write it into the profile."""
        if self.question is not None:
            return
        if self.why_not_try or self.session is None:
            self.message, self.wrong = f"Not tried: {self.why_not_try}.", True
        elif self.redesign.accepted:
            self._offer()
        else:
            self._tried, self.redesign.tried = self.redesign.test(self.tests), None
            self._run_plan(self.session, [self._tried])

    def answer(self, value: float | str | bool) -> None:
        """Answer the question that is shown; see ``PageOperator.answer``."""
        if self.operator is not None:
            super().answer(value)
        elif self.redesign.question is not None:
            self.redesign.question = None
            if value is True:
                self.message, self.wrong = "Writing.", False
                self._in_background(self.redesign.write, self._have_written)

    def _run_plan(self, session: Session, plan: list[GuardedTest]) -> None:
        self._plan, self._whole_s = list(plan), tests_length_s(plan, self.profile)
        self.redesign.question = None
        self.ends, self.last_seconds, self._finished = {}, {}, set()
        self._begin(partial(self._measure, session, plan), "Taking control.")

    # ------------------------------------------------------------------ in its own thread

    def _measure(
        self, session: Session, plan: list[GuardedTest], stack: contextlib.ExitStack
    ) -> tuple[str, bool]:
        client = stack.enter_context(connect_beside(session.client, self.NAME))
        profile = profile_in_force(client.description)
        runner = self._open(stack, client, profile)

        def on_start(test: GuardedTest) -> None:
            self._mailbox.put(lambda: self._begun(test))

        def on_end(end: EndOfTest) -> None:
            name = runner.recording
            self._mailbox.put(lambda: self._came(end, name))

        ended = runner.run(measure_all(plan, profile, on_start, on_end))
        self._tell("Waiting for the recorder.")
        runner.wait_recorded(RECORDED_S)
        return end_text(ended, runner.why, KEPT), ended.how != "finished"

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _words_of(self, item: GuardedTest) -> str:
        return item.purpose

    def _begun(self, item: GuardedTest) -> None:
        # A trial is one of the list, on another force loop.
        super()._begun(next(test for test in self.tests if test.key == item.key))
        self._begun_s = time.monotonic()

    def _came(self, end: EndOfTest, run: str) -> None:
        self.current = None
        self._plan = [test for test in self._plan if test.key != end.key]
        if end.how != "finished":
            self._cut(end)
            return
        if self._tried is not None:
            self._awaited[run] = self._tried
            self._keep_recorded()
            return
        self.picked.discard(end.key)
        self._finished.add(end.key)
        self.results.pop(end.key, None)
        self._awaited[run] = next(test for test in self.tests if test.key == end.key)
        self._keep_recorded()

    def _cut(self, end: EndOfTest) -> None:
        self.ends[end.key] = end
        self.last_seconds[end.key] = list(self.live)

    def _keep_recorded(self) -> None:
        """Evaluate the runs that are complete on the disk."""
        for name in self._recorded & self._awaited.keys():
            test = self._awaited.pop(name)
            if self._runs is None or self.folder is None:
                continue
            run, folder = self._runs / name, self.folder
            if test is self._tried:
                judge = partial(self.redesign.judge, run, folder, test, dict(self.results))
                self._in_background(judge, self._have_tried)
            else:
                self._in_background(partial(keep_run, run, folder, test), self._have)
        self._recorded &= self._awaited.keys()

    def _settle(self, cut: GuardedTest | None) -> None:
        if cut is not None:
            self._cut(EndOfTest(cut.key, "stopped", "begun and aborted"))
        bad = next(iter(self.ends.values()), None)
        if bad is not None:
            self.looked_at = bad.key
        if self._tried is not None and (bad is not None or self.wrong):
            self._tried = None
            if bad is not None:
                text = f"Trial of the redesign, {bad.how}: {bad.text.rstrip('.')}."
                self.message, self.wrong = f"{text} Keep the gains in force.", True
            self.ends = {}  # those of the measurement remain
        self._sum_up()

    def _sum_up(self) -> None:
        """Write the data sheet once everything is evaluated, and set the message on the outcome."""
        if self.running or self.filing:
            return
        if not self.wrong and self._tried is None:
            self.message, self.wrong = summary(self.tests, self.results, self.ends)
            if self.redesign.changes and not self.wrong:
                self.message += " A redesign of the force loop is proposed (U tries it)."
        if self.folder is not None and self.results and self.sheet is None:
            self._in_background(
                partial(write_data_sheet, self.folder, list(self.results.values()), self.tests),
                self._have_sheet,
            )
        elif self.folder is not None and not self.results and not self.folder.exists():
            self.folder = None
        self.renew_kept()

    # ------------------------------------------------------------------ in the background

    def _in_background(self, work: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Pass what ``work`` returns to ``then``, on the page's own thread; one at a time."""
        self.filing += 1
        self._mailbox.in_background(
            "figures", work, partial(self._done, then), self._failed, self._one_at_a_time
        )

    def _done(self, then: Callable[[Any], None], done: Any) -> None:
        self.filing -= 1
        then(done)

    def _failed(self, error: Exception) -> None:
        foreseen = isinstance(error, RunError | OSError)
        text = str(error) if foreseen else f"{type(error).__name__}: {error}"
        self.filing -= 1
        self._tried = None
        self.message, self.wrong = f"No figures: {text}", True

    def _have(self, result: EvaluatedRun) -> None:
        self.results[result.test.key] = result
        self.sheet = None
        self.redesign.look_at(self.results)
        self._sum_up()

    def _have_tried(self, tried: TriedRedesign) -> None:
        self._tried, self.redesign.tried = None, tried
        self.looked_at = PLANT
        self.message, self.wrong = tried.trial.sentence, not tried.trial.accepted
        if tried.trial.accepted:
            self._offer()

    def _offer(self) -> None:
        problem = self.redesign.offer()
        if problem:
            self.message, self.wrong = f"{self.message} {problem}".strip(), False

    def _have_written(self, done: tuple[str, bool]) -> None:
        text, written = done
        self.redesign.written = written
        self.message, self.wrong = text, not written

    def _have_read(self, folder: Path, results: dict[str, EvaluatedRun]) -> None:
        if folder != self.folder:
            return
        self.show(folder, results)
        self._sum_up()

    def show(self, folder: Path, results: dict[str, EvaluatedRun]) -> None:
        """Show a measurement that has been read, and pick the tests that it lacks."""
        self.folder, self.results = folder, results
        self.picked = {t.key for t in self.tests if t.key not in results and not t.on_request}
        self.redesign.look_at(results)
        self.message, self.wrong = summary(self.tests, self.results, self.ends)

    def _have_sheet(self, sheet: Path) -> None:
        self.sheet = sheet
        self.renew_kept()
