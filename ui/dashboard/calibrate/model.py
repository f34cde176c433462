"""The Calibrate page in plain Python: set-up, the guided run, its outcome, earlier ones.

No Qt here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hil.calibration import (
    NO_LOAD,
    CalibrationFile,
    CalibrationPoint,
    CalibrationResult,
    Fit,
    planned_loads,
)
from hil.control import changed_calibration
from hil.core import UseCalibration
from hil.link import Answer
from hil.procedures import ProcedureFailed
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.calibrate.filing import Filing, law_again
from ui.dashboard.calibrate.kept import Kept, KeptCalibrations
from ui.dashboard.calibrate.rig import LiveRig, PageRig
from ui.dashboard.calibrate.run import GuidedRun
from ui.dashboard.calibrate.setup import Setup, SetupError
from ui.dashboard.calibrate.tour import CAPTIONS
from ui.dashboard.calibrate.watch import CalibrationWatch
from ui.dashboard.guided import Mailbox, Question, Tour, why_not_begin

AUTO = "auto"
Phase = Literal["set-up", "running", "result"]


class CalibrateModel:
    """View model of the page.

    Args:
        model, session: model and session of the window; without a session nothing can be begun.
        runs: folder of runs, see ``Filing``.
        rig: where it runs; the session's if None.

    Attributes:
        setup: the form. run: the guided run, or the last one. kept: earlier calibrations.
        watch: check that the one in force still holds.
        points: points of the run or the result, in the order in which they were taken.
        result: result to be accepted or discarded, or None; measured: the same with the law that
            the points support. misfit: why the bench would refuse the result.
        law: the one chosen by hand, ``AUTO`` by evidence; law_by_evidence: which one that is.
        busy: what is being done, or ''.
        message, wrong: text to show, and whether it is bad news.
    """

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None,
        rig: PageRig | None = None,
    ) -> None:
        self.model, self.session = model, session
        self.rig = rig or (LiveRig(session) if session is not None else None)
        self.setup = Setup(model.profile)
        self.watch = CalibrationWatch(model)
        self.alone = model.simulated
        self.tour = Tour(CAPTIONS, "prompt", self)
        self._mailbox = Mailbox()
        self.run = GuidedRun(
            session, model.profile.control.rate, self._mailbox.put, self._ended, model.say
        )
        self.filing = Filing(runs, session.profile_file if session else None)
        self.kept = KeptCalibrations(self.filing.folder, self._mailbox.put)
        self.busy = ""
        self._clear()

    def _clear(self) -> None:
        self.run.clear()
        self.result: CalibrationResult | None = None
        self.measured: CalibrationResult | None = None
        self.misfit = ""
        self.law, self.law_by_evidence = AUTO, ""
        self.message, self.wrong = "", False

    # ------------------------------------------------------------------ what the link brings

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Take what the link delivered. Only these calls keep the control held."""
        del now_s
        items = list(items)
        self.run.feed(items)
        self.watch.feed(items)
        self.take()

    def take(self) -> None:
        """Take what other threads have put in."""
        self._mailbox.take()

    def close(self) -> None:
        """Stop for a window that closes, and wait until the rig is safe."""
        self.run.close()

    # ------------------------------------------------------------------ status

    @property
    def running(self) -> bool:
        return self.run.running

    @property
    def phase(self) -> Phase:
        if self.running:
            return "running"
        return "result" if self.result is not None else "set-up"

    @property
    def question(self) -> Question | None:
        return self.run.question

    @property
    def doing(self) -> str:
        return self.run.doing

    @property
    def points(self) -> list[CalibrationPoint]:
        return list(self.result.points) if self.result is not None else self.run.points

    @property
    def fit(self) -> Fit | None:
        """Law found, or fitted to the points so far."""
        return self.result.fit if self.result is not None else self.run.law_so_far

    def residuals_N(self) -> NDArray[np.float64]:
        """Return law less load of every point, shape (n,); NaN without a law."""
        fit = self.fit
        if fit is None:
            return np.full(len(self.points), np.nan)
        return np.array(
            [(p.reading_counts - fit.reading(p.load_N)) / fit.slope(p.load_N) for p in self.points]
        )

    @property
    def why_not_begin(self) -> str:
        """Why a calibration cannot be begun now, '' if it can."""
        problem = self.setup.problem
        if self.running:
            return "it is already running"
        if self.busy:
            return self.busy
        if self.result is not None:
            return "accept the last one, keep it as evidence or discard it first"
        return why_not_begin(self.model, self.session) or (str(problem) if problem else "")

    @property
    def why_not_accept(self) -> str:
        """Why the result cannot be put to use now, '' if it can."""
        result = self.result
        if result is None:
            return "there is nothing to accept"
        if self.busy:
            return self.busy
        if not result.acceptable:
            first = next((f for f in result.findings if f.severity == "error"), None)
            return first.fix if first else "no force law was found"
        if self.misfit:
            return self.misfit
        return self.why_not_use

    @property
    def why_not_use(self) -> str:
        """Why no calibration can be given to the bench now, '' if one can."""
        if self.running:
            return "a calibration is running"
        return self.busy or self.model.lock_reason

    # ------------------------------------------------------------------ acts

    def set_alone(self, alone: bool) -> None:
        """Let simulated hands answer by themselves, or not."""
        self.alone = alone and self.model.simulated
        if self.run.operator is not None:
            self.run.operator.alone = self.alone

    def answer(self, value: bool | float) -> None:
        """Answer the prompt: done, refused, or the number that was read."""
        operator, question = self.run.operator, self.question
        if operator is not None and question is not None:
            operator.answer(question, value)

    def begin(self) -> None:
        """Begin with the settings of the form."""
        if self.why_not_begin or self.rig is None:
            self._say(f"Not begun: {self.why_not_begin}.", True)
            return
        try:
            options = self.setup.options()
            plan = planned_loads(self.model.profile, options)
        except (SetupError, ProcedureFailed) as error:
            self._say(f"Not begun: {error}.", True)
            return
        self._clear()
        self.run.begin(self.rig, self.model.profile, options, plan, self.alone)

    def abort(self, why: str = "aborted by the operator") -> None:
        """Stop the rig and end."""
        self.run.abort(why)

    def choose_law(self, law: str) -> None:
        """Take this law for the result, ``AUTO`` for the one that the points support."""
        measured = self.measured
        if measured is None or self.busy or law == self.law:
            return
        before, self.law = self.law, law
        if law == AUTO:
            self.come(measured)
            return
        work = partial(law_again, measured, self.run.options, self.run.plan, law)
        self._in_background("fitting", work, partial(self._have_law, before))

    def _have_law(self, before: str, found: CalibrationResult) -> None:
        if found.calibration is None and self.result is not None:
            reason = found.findings[-1].sentence if found.findings else "no law was found"
            self.law = before
            self._say(f"That law cannot be used: {reason}.", True)
            return
        self.come(found)

    def accept(self) -> None:
        """File the result and give it to the bench."""
        if self.session is None or self.why_not_accept:
            self._say(f"Not accepted: {self.why_not_accept}.", True)
            return
        self._file(self._accepted)

    def keep_as_evidence(self) -> None:
        """File the result and leave the calibration in force unchanged."""
        if self.result is not None and self.result.calibration is not None and not self.busy:
            self._file(self._kept_as_evidence)

    def _file(self, then: Callable[[CalibrationFile], None]) -> None:
        assert self.result is not None
        drive = self.rig.drive if self.rig is not None else ""
        work = partial(
            self.filing.keep,
            self.result,
            self.model,
            drive,
            self.setup.note,
            self.setup.conditions(),
        )
        self._in_background("filing", work, then)

    def _accepted(self, file: CalibrationFile) -> None:
        self._clear()  # it is on file
        # Filing is heavy work: a busy computer may have delayed a heartbeat meanwhile.
        if self.session is not None and not self.model.in_control and not self.model.holder:
            self.session.take_control()
        self._use(file, "Accepted, and in use now:")

    def _kept_as_evidence(self, file: CalibrationFile) -> None:
        self._clear()
        self._say(f"Kept as evidence, and not in use: {file.path}", False)
        self.kept.renew(self.model.profile)

    def discard(self) -> None:
        """Discard the result: nothing of it is kept."""
        if self.result is not None and not self.busy:
            self._clear()
            self._say("Discarded: nothing was kept and nothing has changed.", False)

    def use_kept(self, kept: Kept) -> None:
        """Give an earlier calibration to the bench."""
        why = self.why_not_use or kept.problem
        if why:
            self._say(f"Not used: {why}.", True)
            return
        self.busy = "checking its file"
        self.kept.check(kept, self.model.profile, lambda file: self._use(file), self._refused)

    def _refused(self, text: str) -> None:
        self.busy = ""
        self._say(f"Not used: {text}.", True)

    def check_zero(self) -> None:
        """Check the zero; the operator has confirmed that nothing acts on the rod."""
        if self.session is not None:
            self.watch.zero_text = ""
            self.session.mark(NO_LOAD)

    def _use(self, file: CalibrationFile, done: str = "In use now:") -> None:
        if self.session is None:  # a still picture
            return
        self.busy = "asking the bench"
        self.session.ask(UseCalibration(calibration=file.part), partial(self._used, file, done))

    def _used(self, file: CalibrationFile, done: str, answer: Answer) -> None:
        self.busy = ""
        if answer.accepted:
            self._say(f"{done} {file.identity}. {self.filing.put_into_profile(file)}", False)
        else:
            self._say(f"Not in use: {answer.text}. It is filed as {file.path}.", True)
        self.kept.renew(self.model.profile)

    # ------------------------------------------------------------------ in threads of their own

    def _in_background(
        self, word: str, work: Callable[[], Any], then: Callable[[Any], None]
    ) -> None:
        """Pass what ``work`` returns to ``then``, on the page's own thread."""
        self.busy = word
        self._mailbox.in_background(
            word, work, partial(self._done, then), partial(self._failed, word)
        )

    def _done(self, then: Callable[[Any], None], done: Any) -> None:
        self.busy = ""
        then(done)

    def _failed(self, word: str, error: Exception) -> None:
        self.busy = ""
        self._say(f"{word} has failed: {error}", True)

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _ended(self, text: str, result: CalibrationResult | None) -> None:
        if result is not None:
            self.come(result)
        else:
            self._say(text, True)

    def come(self, result: CalibrationResult) -> None:
        """Show a result, to be accepted or discarded."""
        self.result = result
        self.misfit = ""
        if result.calibration is not None:
            part = result.calibration.model_dump(mode="json")
            fits = changed_calibration(self.model.profile, part)
            self.misfit = fits if isinstance(fits, str) else ""
        if self.law == AUTO:
            self.measured = result
            self.law_by_evidence = result.fit.law if result.fit is not None else ""
        self.message, self.wrong = "", False

    def _say(self, text: str, wrong: bool) -> None:
        self.message, self.wrong = text.replace("..", "."), wrong
