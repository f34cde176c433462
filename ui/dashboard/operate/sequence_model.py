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

from hil.core import Request, State
from hil.profile import ProfileError
from hil.sequences import (
    Pacing,
    Preview,
    Sequence,
    TakenDown,
    load_sequence,
    perform_times,
    preview,
    shipped_sequences,
)
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided import Mailbox, PageRun, ProcedureThread, end_text, why_not_begin
from ui.dashboard.operate.sequence_rig import LiveSequenceRig, SequenceRig

MOST_FILES = 200
MOST_TIMES = 999


class SequenceModel(ProcedureThread[PageRun]):
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
        self._files = [*own, *shipped_sequences()]
        self.names = [f.stem if isinstance(f, Path) else f"{f} (shipped)" for f in self._files]
        self.chosen = self._files.index(before) if before in self._files else -1

    def pick(self, number: int) -> None:
        """Read and check a file, in a separate thread."""
        if self.running or not 0 <= number < len(self._files):
            return
        self.chosen = number
        self.sequence, self.plan, self.problem = None, None, ""
        file, profile = self._files[number], self.model.profile

        def look() -> None:
            sequence, plan, problem = None, None, ""
            try:
                sequence = load_sequence(file)
                plan = preview(sequence, profile)
                problem = "\n".join(str(one) for one in plan.refused)
            except ProfileError as error:
                problem = str(error)
            except Exception as error:  # the panel must be informed
                problem = f"cannot be read ({type(error).__name__}: {error})"
            self._mailbox.put(lambda: self._have(number, sequence, plan, problem))

        threading.Thread(target=look, name="look at sequence", daemon=True).start()

    def _have(
        self, number: int, sequence: Sequence | None, plan: Preview | None, problem: str
    ) -> None:
        if number == self.chosen and not self.running:
            self.sequence, self.plan, self.problem = sequence, plan, problem

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
        if self.taken is not None:
            return "a session is being taught"
        return why_not_begin(self.model, self.session)

    @property
    def at_s(self) -> float:
        """Planned time that has passed, in s; the cursor in the preview."""
        if self.sequence is None or not 0 < self._step <= len(self.sequence.steps):
            return 0.0
        length = self.sequence.length(self.sequence.steps[self._step - 1])
        passed_s = max(0.0, self.model.time_s - self._step_s)
        return self.pacing.done_s + min(passed_s, length)

    @property
    def left_s(self) -> float:
        """Planned time that is left of this performance, in s."""
        return 0.0 if self.sequence is None else max(0.0, self.sequence.seconds - self.at_s)

    @property
    def note(self) -> str:
        """Note of the step under way; of a picked sequence, its description."""
        if self.sequence is None:
            return ""
        number = self.pacing.number
        if self.running and 0 < number <= len(self.sequence.steps):
            return str(self.sequence.steps[number - 1].note).strip()
        return "" if self.running or self.text else self.sequence.description.strip()

    @property
    def words(self) -> str:
        """State of the performance in a line, or what the picked file is."""
        if self.running and self.plan is not None:
            number, total = self.pacing.number, len(self.plan.words)
            if not number:
                return "About to begin"
            step = f"{number}/{total} {self.plan.words[number - 1]}"
            if self.pacing.held:
                return f"Paused before {step}"
            asked = " · pauses at the next safe point" if self.pacing.pause_asked else ""
            return f"{step} · {self.left_s:.0f} s left{asked}"
        if self.problem:
            return self.problem
        if self.sequence is None or self.plan is None:
            return (
                "Pick one: the setpoints are shown before anything moves" if not self.text else ""
            )
        parts = [f"{len(self.plan.words)} steps, {self.sequence.seconds:.0f} s"]
        if self.sequence.longest_wait_s:
            parts.append(f"waits of up to {self.sequence.longest_wait_s:.0f} s")
        return ", ".join(parts) + "".join(f"\n{text}" for text in self.plan.limited[:3])

    # ------------------------------------------------------------------ acts

    def begin(self) -> None:
        """Begin, or continue if paused."""
        if self.running:
            self.pacing.go_on()
            return
        if self.why_not_begin or self.sequence is None:
            self._say(f"Not begun: {self.why_not_begin}.", True)
            return
        self.text, self.pacing = "", Pacing()
        self._step, self._step_s = 0, self.model.time_s
        self._start(partial(self._perform, self.sequence, self.times, self.pacing))

    def pause(self) -> None:
        """Pause at the next safe point."""
        if self.running:
            self.pacing.pause()

    def step(self) -> None:
        """Continue only to the next safe point."""
        if self.running:
            self.pacing.step()

    def answer(self, yes: bool) -> None:
        """Answer the question."""
        if self.operator is not None and self.question is not None:
            self.operator.answer(self.question, "yes" if yes else "no")

    def _perform(
        self, sequence: Sequence, times: int, pacing: Pacing, stack: contextlib.ExitStack
    ) -> tuple[str, bool]:
        assert self.rig is not None
        operator, runner = self.rig.open(stack, lambda _text: None)
        self._opened(operator, runner)
        ended = runner.run(perform_times(sequence, self.model.profile, pacing, times))
        text = end_text(ended, runner.why, "It does not continue by itself.")
        return text or "Finished; the power is off.", ended.how != "finished"

    def _ended(self, text: str, wrong: bool) -> None:
        self.pacing.held = False
        self._say(text, wrong)

    def _say(self, text: str, wrong: bool) -> None:
        self.text, self.wrong = text, wrong

    # ------------------------------------------------------------------ teaching

    @property
    def why_not_take(self) -> str:
        """Reason why nothing can be taught now, '' if it can."""
        if self.taken is not None:
            return ""
        if self.running:
            return "a sequence runs"
        if self.session is None:
            return "no bench"
        if self.model.state is not State.DE_ENERGISED:
            return "power off first (P): a sequence begins without power"
        return self.model.lock_reason

    def toggle_take(self) -> None:
        """Begin to record what the operator does, or end and write the file."""
        if self.taken is None:
            if self.why_not_take:
                self._say(f"Nothing is taught: {self.why_not_take}.", True)
                return
            self.taken, self._hung_kg = TakenDown(), self.model.hung_kg
            self._say("", False)
            return
        taken, self.taken = self.taken, None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            file = self._free_name()
            taken.write(file, self.profile_name, self.model.time_s)
        except ValueError as error:
            self._say(f"No file: {error}.", True)
            return
        except OSError as error:
            self._say(f"Not written: {error.strerror} ({self.folder}).", True)
            return
        left_out = "".join(f" Left out: {text}." for text in dict.fromkeys(taken.left_out))
        self.renew()
        self.pick(self._files.index(file))
        self._say(f"Written: {file}.{left_out}", bool(left_out))

    @property
    def profile_name(self) -> str:
        """Name of the profile as the file gives it."""
        named = self.session.profile_file if self.session is not None else None
        return named.stem if named is not None else self.model.profile.name

    def _accepted(self, request: Request) -> None:
        if self.taken is not None:
            self.taken.take(request, self.model.time_s)

    def _free_name(self) -> Path:
        number = 1
        while (file := self.folder / f"by_hand_{number}.yaml").exists():
            number += 1
        return file
