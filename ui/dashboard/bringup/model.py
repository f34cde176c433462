"""The Bring-up page in plain Python: steps and their status, prompts, findings.

No Qt here.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from hil.bench import facts_from_dict
from hil.bringup import (
    HTML,
    RECORDS,
    STEPS,
    YAML,
    BringUpRecord,
    RecordError,
    Result,
    Step,
    Verdict,
    bring_up,
    new_record_folder,
)
from hil.control import limits_reduced
from hil.link import connect_beside
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.bringup.records import kept_records, result_of
from ui.dashboard.bringup.tour import CAPTIONS
from ui.dashboard.bringup.values import ProfileValues
from ui.dashboard.bringup.words import proposed, summary, without_changes
from ui.dashboard.guided import (
    RUNNING,
    GuidedModel,
    ProcedureThread,
    Question,
    Tour,
    end_text,
    why_not_begin,
)

KEPT = "The rig was left without power; the record is kept."


class BringUpModel(GuidedModel[Step]):
    """View model of the page.

    Args:
        model, session: model and session of the window; without a session nothing can be begun.
        runs: folder of runs; records are kept next to it, in ``bring-up``.
        steps: steps of the bring-up, in order.

    Attributes:
        results: results by the step's key, of the record that is shown.
    """

    NAME = "bring-up"
    TROUBLES = (RecordError, *ProcedureThread.TROUBLES)
    ENDED = "{}"
    FAILED = "the bring-up has failed ({})"

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None,
        steps: Sequence[Step] = STEPS,
    ) -> None:
        super().__init__(model, session)
        self.steps = steps
        self.results: dict[str, Result] = {}
        self._records = Path(RECORDS) if runs is None else runs.parent / RECORDS
        self.values = ProfileValues(
            model.own_profile, steps, session.profile_file if session else None
        )
        self.tour = Tour(CAPTIONS, "prompt", self)
        self._last = ""  # key of the step that ended last

    # ------------------------------------------------------------------ status

    @property
    def listed(self) -> Sequence[Step]:
        return self.steps

    @property
    def question(self) -> Question | None:
        return super().question if self.operator is not None else self.values.question

    def state_of(self, step: Step) -> str:
        """Return a verdict's word, or ``RUNNING``."""
        if self.current is step:
            return RUNNING
        result = self.results.get(step.key)
        return str(result.verdict if result else Verdict.NOT_RUN)

    @property
    def passed(self) -> int:
        return sum(r.verdict is Verdict.PASS for r in self.results.values())

    @property
    def record_text(self) -> str:
        """Folder of the record shown, as text."""
        return f"Ended · record {self.folder / HTML}" if self.folder else "Ended"

    @property
    def why_not_begin(self) -> str:
        """Why a bring-up cannot be begun now, '' if it can."""
        if self.running:
            return "it is already running"
        return self.values.in_the_way or why_not_begin(self.model, self.session)

    # ------------------------------------------------------------------ acts

    def answer(self, value: float | str | bool) -> None:
        """Answer the question that is shown; see ``PageOperator.answer``."""
        if self.operator is not None:
            super().answer(value)
        elif self.values.question is not None:
            if value is True:
                self.message, self.wrong = "Writing.", False
                self.values.write(
                    lambda text, done: self._mailbox.put(lambda: self._have_written(text, done))
                )
            self.values.question = None

    def choose(self, folder: Path | None) -> None:
        """Continue this record, None for a new one."""
        if self.running or folder == self.folder:
            return
        self.folder, self.results, self.looked_at, self.values.question = None, {}, "", None
        self.message, self.wrong = "", False
        if folder is None:
            return
        self.folder = folder
        # Reading takes longer than a heartbeat may.
        threading.Thread(target=self._read, args=(folder,), daemon=True).start()

    def _read(self, folder: Path) -> None:
        results: dict[str, Result] = {}
        problem = ""
        try:
            with contextlib.closing(
                BringUpRecord.load(folder, self.model.own_profile, self.steps)
            ) as record:
                results = {e["step"]: result_of(folder, e) for e in record.data["steps"]}
        except (RecordError, OSError) as error:
            problem = str(error)
        self._mailbox.put(lambda: self._have_read(folder, results, problem))

    def _have_read(self, folder: Path, results: dict[str, Result], problem: str) -> None:
        if self.running or folder != self.folder:
            return
        self.results = results
        if problem:
            self.folder, self.message, self.wrong = None, problem, True
        else:
            self._sum_up()

    def renew_kept(self) -> None:
        """Look again for records of this rig."""
        self.kept = kept_records(self._records, self.model.profile.name, len(self.steps))

    def begin(self, only: str = "") -> None:
        """Begin, or continue: every step that is not, or no longer, verified.

        Args:
            only: only this step, after the unverified ones that it needs.
        """
        if self.why_not_begin or self.session is None:
            self.message, self.wrong = f"not begun: {self.why_not_begin}", True
            return
        self.values.question, self._last = None, ""
        resume = self.folder is not None
        if self.folder is None:
            self.folder, self.results = (
                new_record_folder(self._records, self.model.profile.name),
                {},
            )
        work = partial(self._bring_up, self.session, self.folder, resume, only)
        self._begin(work, "Opening the record.")

    def offer_values(self) -> None:
        """Prompt whether to write the proposed values into the profile."""
        if self.proposed and self.folder is not None:
            problem = self.values.offer(self.proposed, self.folder)
            if problem:
                self.message, self.wrong = problem, True

    @property
    def proposed(self) -> dict[str, str]:
        """Profile keys and values that the record shown proposes."""
        return {} if self.running else proposed(self.results)

    def _sum_up(self) -> None:
        """Set the result of the record shown, and the step to look at."""
        reduced = limits_reduced(self.model.description)
        self.message, bad = summary(self.steps, self.results, reduced)
        self.wrong = bool(bad)
        if self.proposed:
            self.message += " Measured values are proposed for the profile (U)."
        self.looked_at = self.looked_at or bad or self._last

    def _have_written(self, text: str, done: bool) -> None:
        self.message, self.wrong = text, not done
        if done:
            self.results = {key: without_changes(r) for key, r in self.results.items()}

    # ------------------------------------------------------------------ in its own thread

    def _bring_up(
        self, session: Session, folder: Path, resume: bool, only: str, stack: contextlib.ExitStack
    ) -> tuple[str, bool]:
        model = self.model
        profile, description = model.own_profile, model.description
        facts = facts_from_dict(description["drive_facts"])
        if resume:
            record = BringUpRecord.load(folder, profile, self.steps)
        else:
            record = BringUpRecord.begin(
                folder,
                profile,
                str(description.get("profile_path") or profile.name),
                facts,
                self.steps,
                model.simulated,
            )
        stack.callback(record.close)
        client = stack.enter_context(connect_beside(session.client, self.NAME))
        runner = self._open(stack, client, profile)
        steps = record.to_reach(only) if only else record.to_run()
        context = record.context(profile, facts, self.alone)

        def on_start(step: Step) -> None:
            record.on_start(step)
            self._mailbox.put(lambda: self._begun(step))

        def on_result(step: Step, result: Result) -> None:
            record.on_result(step, result)
            standing = {e["step"]: e["verdict"] for e in record.data["steps"]}
            self._mailbox.put(lambda: self._came(step, result, standing))

        ended = runner.run(
            record.watch(bring_up(steps, context, record.passed, on_start, on_result))
        )
        self._tell("Writing the record.")
        return end_text(ended, runner.why, KEPT), ended.how != "finished"

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _words_of(self, item: Step) -> str:
        return item.happens

    def _begun(self, item: Step) -> None:
        super()._begun(item)
        self.results.pop(item.key, None)

    def _came(self, step: Step, result: Result, standing: dict[str, str]) -> None:
        self.current = None
        self.results[step.key] = result
        self._last = step.key
        # A failure revokes what was verified on the strength of it.
        for key, verdict in standing.items():
            had = self.results.get(key)
            if verdict == Verdict.NOT_RUN and had is not None and had.verdict is Verdict.PASS:
                self.results[key] = Result(key, text=f"to be verified again: {step.title}")

    def _settle(self, cut: Step | None) -> None:
        if cut is not None:
            self.results[cut.key] = Result(cut.key, text="begun and aborted: to be repeated")
        if not self.wrong:
            self._sum_up()
        elif cut is not None:
            self.looked_at = cut.key
        if self.folder is not None and not (self.folder / YAML).exists():
            self.folder = None
        self.renew_kept()
