"""Sequences on the Operate page: picked, checked, performed, taught. No Qt.

A stop, a fault or a refusal ends a sequence: nothing here restarts it.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from hil.profile import ProfileError
from hil.sequences import (
    MeetingPart,
    Pacing,
    Preview,
    Sequence,
    TakenDown,
    load_sequence,
    perform_times,
    preview,
    shipped_axes_sequences,
    shipped_sequences,
)
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided import Mailbox, PageRun, ProcedureThread, Question, end_text, why_not_begin
from ui.dashboard.operate.axes_sequences import AxesPlan, AxesSequences
from ui.dashboard.operate.sequence_rig import LiveSequenceRig, SequenceRig
from ui.dashboard.operate.teaching import Teaching

MOST_FILES = 200
MOST_TIMES = 999


class SequenceModel(Teaching, ProcedureThread[PageRun]):
    """View model of the panel.

    Args:
        model, session: model and session of the window; without a session nothing can be begun.
        runs: folder of runs; a folder ``sequences`` next to it is read and written.
        rig: where a sequence is performed; the session's if None.

    Attributes:
        names: names of the files to pick from. chosen: which of them is picked, -1 for none.
        sequence, plan: the picked one and its setpoints, None until read, or if wrong.
        problem: its error, or ''.
        times: number of performances.
        pacing: pacing of the performance under way, or the last one.
        text, wrong: how the last one ended, and whether that is bad news.
        taken: the session being taught, or None.
        axis, axes: with several axes, the name of this one, and the sequences of all.
        joint: the picked sequence if it is for all axes, else None.
        in_joint: the present or last performance was of all axes.
    """

    NAME = "sequence"
    FAILED = "The sequence has failed ({})."

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None = None,
        rig: SequenceRig | None = None,
    ) -> None:
        self._mailbox = Mailbox()
        super().__init__(session, self._mailbox.put)
        self.model, self.session = model, session
        self.rig = rig or (LiveSequenceRig(session) if session is not None else None)
        self.folder = (runs.resolve().parent if runs is not None else Path.cwd()) / "sequences"
        self.names: list[str] = []
        self.chosen = -1
        self.sequence: Sequence | None = None
        self.plan: Preview | None = None
        self.problem = ""
        self.times = 1
        self.pacing = Pacing()
        self.text, self.wrong = "", False
        self.taken: TakenDown | None = None
        self.axis = ""
        self.axes: AxesSequences | None = None
        self.joint: AxesPlan | None = None
        self.in_joint = False
        self._shown: SequenceModel | None = None  # whose question is shown
        self._hung_kg: float | None = None
        self._files: list[Path | str] = []
        self._step, self._step_s, self._held_s = 0, 0.0, 0.0
        if session is not None and hasattr(session, "on_accepted"):
            session.on_accepted.append(self._accepted)

    # ------------------------------------------------------------------ what the link brings

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Take what the link delivered."""
        del now_s
        if self.operator is not None:
            self.operator.turn()
        self._mailbox.take()
        time_s, pacing = self.model.time_s, self.pacing
        if pacing.number != self._step:
            self._step, self._step_s, self._held_s = pacing.number, time_s, 0.0
        elif pacing.held:
            self._step_s = time_s  # the step has not begun
        if self.taken is None:
            return
        for item in items:
            if isinstance(item, Mapping) and item.get("kind") == "stop":
                self.taken.stopped(time_s)
        hung = self.model.hung_kg
        if hung is not None and self._hung_kg is not None and hung != self._hung_kg:
            self.taken.hang(hung, time_s)
        self._hung_kg = hung

    # ------------------------------------------------------------------ picking

    def renew(self) -> None:
        """Reread the folder; what was picked stays picked."""
        before = self._files[self.chosen] if self.chosen >= 0 else None
        own: list[Path] = []
        with contextlib.suppress(OSError):
            own = sorted(self.folder.glob("*.yaml"))[:MOST_FILES]
        joint = shipped_axes_sequences() if self.axes is not None else ()
        self._files = [*own, *joint, *shipped_sequences()]
        self.names = [f.stem if isinstance(f, Path) else f"{f} (shipped)" for f in self._files]
        self.chosen = self._files.index(before) if before in self._files else -1

    def pick(self, number: int) -> None:
        """Read and check a file, in a separate thread."""
        if self.running or not 0 <= number < len(self._files):
            return
        if self.joint is not None and self.axes is not None:
            self.axes.dropped(self)
        self.chosen = number
        self.sequence, self.plan, self.joint, self.problem = None, None, None, ""
        file, profile, axes, axis = self._files[number], self.model.profile, self.axes, self.axis

        def look() -> None:
            sequence, plan, joint, problem = None, None, None, ""
            try:
                joint = axes.plans.read(file) if axes is not None else None
                if joint is not None:
                    sequence, plan = joint.sequence.sequences[axis], joint.plans[axis]
                    problem = joint.problem
                else:
                    sequence = load_sequence(file)
                    plan = preview(sequence, profile)
                    problem = "\n".join(str(one) for one in plan.refused)
            except ProfileError as error:
                problem = str(error)
            except Exception as error:  # the panel must be informed
                problem = f"cannot be read ({type(error).__name__}: {error})"
            self._mailbox.put(lambda: self._have(number, sequence, plan, problem, joint))

        threading.Thread(target=look, name="look at sequence", daemon=True).start()

    def _have(
        self,
        number: int,
        sequence: Sequence | None,
        plan: Preview | None,
        problem: str,
        joint: AxesPlan | None,
    ) -> None:
        if number == self.chosen and not self.running:
            self.sequence, self.plan, self.problem = sequence, plan, problem
            self.joint = joint
            if joint is not None and self.axes is not None:
                self.axes.picked(self, self._files[number], joint)

    def take_plan(self, file: Path | str, plan: AxesPlan) -> None:
        """Take in that a sequence for all axes was picked on another axis."""
        self.renew()
        self.chosen = self._files.index(file) if file in self._files else -1
        self.sequence, self.plan = plan.sequence.sequences[self.axis], plan.plans[self.axis]
        self.joint, self.problem, self.text = plan, plan.problem, ""

    def drop_plan(self) -> None:
        """Take in that another axis has picked a sequence of its own."""
        if self.joint is not None:
            self.chosen, self.joint = -1, None
            self.sequence, self.plan, self.problem = None, None, ""

    @property
    def picked(self) -> Path | str | None:
        """The picked file, the bare name of a shipped one, or None."""
        return self._files[self.chosen] if 0 <= self.chosen < len(self._files) else None

    def pick_file(self, file: Path | str) -> None:
        """Reread the folder, and pick a file of it, or the shipped one of this name."""
        self.renew()
        if file in self._files:
            self.pick(self._files.index(file))

    # ------------------------------------------------------------------ status

    @property
    def own_running(self) -> bool:
        """True while the thread of this axis runs."""
        return self._thread is not None

    @property
    def running(self) -> bool:
        """True while a sequence of this axis, or of all axes, runs."""
        return self.own_running or (self.axes is not None and self.axes.active)

    @property
    def _acting(self) -> list[SequenceModel]:
        """The sequences that an act here applies to: those of all axes while these run together."""
        if self.axes is None or not self.axes.active:
            return [self]
        return [part for part in self.axes.parts.values() if isinstance(part, SequenceModel)]

    @property
    def held(self) -> bool:
        """True while it pauses."""
        return any(one.pacing.held for one in self._acting)

    @property
    def question(self) -> Question | None:
        asking = self._asking
        return asking.operator.question if asking is not None and asking.operator else None

    @property
    def question_text(self) -> str:
        """Present question, with the axis that asks if there are several; '' for none."""
        asking, question = self._asking, self.question
        if asking is None or question is None:
            return ""
        return f"{asking.axis}: {question.text}" if asking.in_joint else question.text

    @property
    def _asking(self) -> SequenceModel | None:
        asking = [one for one in self._acting if one.operator is not None and one.operator.question]
        # The one that is shown stays until it is answered, whichever axis asks meanwhile.
        if self._shown not in asking:
            self._shown = asking[0] if asking else None
        return self._shown

    @property
    def why_not_alone(self) -> str:
        """Reason why this axis cannot begin now, '' if it can."""
        if self.running:
            return "a sequence runs"
        if self.taken is not None:
            return "a session is being taught"
        return why_not_begin(self.model, self.session)

    @property
    def why_not_begin(self) -> str:
        """Reason why it cannot be begun now, '' if it can."""
        if self.running:
            return "a sequence runs"
        if self.chosen < 0:
            return "pick a sequence"
        if self.problem:
            return "correct the file first"
        if self.sequence is None:
            return "it is being read"
        if self.joint is not None and self.axes is not None:
            return self.axes.why_not_begin
        return self.why_not_alone

    @property
    def at_s(self) -> float:
        """Planned time that has passed, in s; the cursor in the preview."""
        if self.plan is None or not 0 < self._step < len(self.plan.begins_s):
            return 0.0
        begin_s, end_s = self.plan.begins_s[self._step - 1 : self._step + 1].tolist()
        passed_s = max(0.0, self.model.time_s - self._step_s)
        return float(min(begin_s + passed_s, end_s))

    @property
    def left_s(self) -> float:
        """Planned time that is left of this performance, in s."""
        return 0.0 if self.plan is None else max(0.0, float(self.plan.begins_s[-1]) - self.at_s)

    @property
    def note(self) -> str:
        """Note of the step under way; of a picked sequence, its description."""
        if self.sequence is None:
            return ""
        number = self.pacing.number
        if self.running and 0 < number <= len(self.sequence.steps):
            joint = self.joint.sequence.sequences.values() if self.joint else (self.sequence,)
            notes = (str(each.steps[number - 1].note).strip() for each in joint)
            return next(filter(None, notes), "")
        return "" if self.running or self.text else self.sequence.description.strip()

    @property
    def words(self) -> str:
        """State of the performance in a line, or what the picked file is."""
        if self.running and self.plan is not None:
            number, total = self.pacing.number, len(self.plan.words)
            if not number:
                return "About to begin"
            step = f"{number}/{total}"
            if self.joint is None:  # the list of its steps marks the present one
                step += f" {self.plan.words[number - 1]}"
            if self.held:
                return f"Paused before {step}"
            asked = " · pauses at the next safe point" if self.pacing.pause_asked else ""
            return f"{step} · {self.left_s:.0f} s left{asked}"
        if self.problem:
            return self.problem
        if self.sequence is None or self.plan is None:
            return (
                "Pick one: the setpoints are shown before anything moves" if not self.text else ""
            )
        parts = [f"{len(self.plan.words)} steps, {self.plan.begins_s[-1]:.0f} s"]
        if self.joint is not None:
            *most, last = self.joint.plans
            parts.append(f"on {', '.join(most)} and {last}")
        if self.sequence.longest_wait_s:
            parts.append(f"waits of up to {self.sequence.longest_wait_s:.0f} s")
        return ", ".join(parts) + "".join(f"\n{text}" for text in self.plan.limited[:3])

    # ------------------------------------------------------------------ acts

    def begin(self) -> None:
        """Begin, or continue if paused."""
        if self.running:
            for one in self._acting:
                one.pacing.go_on()
            return
        if self.why_not_begin or self.sequence is None or self.picked is None:
            self._say(f"Not begun: {self.why_not_begin}.", True)
        elif self.joint is not None and self.axes is not None:
            self.axes.begin(self.picked, self.joint, self.times)
        else:
            self.in_joint = False
            self._begin(self.sequence, self.times, None)

    def begin_part(self, file: Path | str, plan: AxesPlan, times: int, part: MeetingPart) -> None:
        """Begin the part of this axis in a sequence for all axes."""
        if plan is not self.joint:
            self.take_plan(file, plan)
        self.in_joint = True
        self._begin(plan.sequence.sequences[self.axis], times, part)

    def _begin(self, sequence: Sequence, times: int, part: MeetingPart | None) -> None:
        self.text, self.pacing = "", Pacing()
        self._step, self._step_s = 0, self.model.time_s
        self._start(partial(self._perform, sequence, times, self.pacing, part))

    def pause(self) -> None:
        """Pause at the next safe point."""
        if self.running:
            for one in self._acting:
                one.pacing.pause()

    def step(self) -> None:
        """Continue only to the next safe point."""
        if self.running:
            for one in self._acting:
                one.pacing.step()

    def abort(self, why: str = "aborted by the operator") -> None:
        """Stop the rig, or all axes of the sequence, and end."""
        for one in self._acting:
            one.abort_part(why)

    def abort_part(self, why: str) -> None:
        """Stop this axis and end."""
        super().abort(why)

    def answer(self, yes: bool, question: Question | None) -> None:
        """Answer the question that the person has read; do nothing if it is no longer asked."""
        for one in self._acting:
            if one.operator is not None and question is not None:
                one.operator.answer(question, "yes" if yes else "no")

    def _perform(
        self,
        sequence: Sequence,
        times: int,
        pacing: Pacing,
        part: MeetingPart | None,
        stack: contextlib.ExitStack,
    ) -> tuple[str, bool]:
        assert self.rig is not None
        why = "it failed"  # no other axis waits for one that has ended
        try:
            operator, runner = self.rig.open(stack, lambda _text: None)
            self._opened(operator, runner)
            ended = runner.run(perform_times(sequence, self.model.profile, pacing, times, part))
            why = "" if ended.how == "finished" else runner.why or ended.text
        finally:
            if part is not None and why:
                part.end(why)
        text = end_text(ended, runner.why, "It does not continue by itself.")
        return text or "Finished; the power is off.", ended.how != "finished"

    def _ended(self, text: str, wrong: bool) -> None:
        self.pacing.held = False
        self._say(text, wrong)

    def _say(self, text: str, wrong: bool) -> None:
        self.text, self.wrong = text, wrong
