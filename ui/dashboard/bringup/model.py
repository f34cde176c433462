"""The Bring-up page in plain Python: steps and how they stand, what is asked, what was found.

The bring-up runs in a thread of its own with a client of its own, which holds control as long
as it runs; the window's gives it up before and asks for it afterwards. No Qt here.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from drivers.base import DriverError
from drivers.simulated import EnvironmentClient
from hil.bench import facts_from_dict
from hil.bringup import (
    HTML,
    STEPS,
    YAML,
    BringUpRecord,
    RecordError,
    Result,
    Step,
    Verdict,
    bring_up,
)
from hil.core import INDEX
from hil.link import LinkError, connect_beside
from hil.procedures import SimulatedOperator
from hil.profile import rig_parameters
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.bringup.records import Kept, kept_records, new_folder, result_of
from ui.dashboard.bringup.values import ProfileValues
from ui.dashboard.bringup.words import end_text, proposed, summary, why_not_begin, without_changes
from ui.dashboard.guided import RUNNING, PageOperator, PageRunner, Question

ENDS_S = 20.0  # power off, and the record on the disk
LIVE_S, LIVE_EVERY = 15.0, 20  # what is drawn while a step runs, of every so many samples
_TIME, _NUT, _FORCE = (INDEX[name] for name in ("time_s", "nut_position_m", "spring_force_N"))


class BringUpModel:
    """View model of the page.

    Args:
        model, session: of the window; without a session nothing can be begun.
        runs: folder of runs; records are kept beside it, in ``bring-up``.
        steps: of the bring-up, in order.

    Attributes:
        results: by the step's key, of the record that is shown.
        current: the step that runs, or None.
        looked_at: key of the step whose evidence was asked for; '' follows the one that runs.
        operator: asks and is answered, while a bring-up runs.
        folder: of the record that is shown; None for a new one.
        kept: records of this rig, newest first.
        message, wrong: what there is to say while nothing runs, and whether it is bad news.
        note: last word of the step that runs.
        live: (time in s, nut in m, spring force in N) of the last seconds.
    """

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None,
        steps: Sequence[Step] = STEPS,
    ) -> None:
        self.model, self.session = model, session
        self.steps = steps
        self.results: dict[str, Result] = {}
        self.current: Step | None = None
        self.looked_at = ""
        self.operator: PageOperator | None = None
        self.folder: Path | None = None
        self.kept: list[Kept] = []
        self.message, self.wrong = "", False
        self.note = ""
        self.live: deque[tuple[float, float, float]] = deque(
            maxlen=round(LIVE_S * model.profile.control.rate / LIVE_EVERY)
        )
        self.alone = model.simulated
        self._records = Path("bring-up") if runs is None else runs.parent / "bring-up"
        self._told: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._runner: PageRunner | None = None
        self._breaking_off = threading.Event()
        self.values = ProfileValues(
            model.own_profile, steps, session.profile_file if session else None
        )
        self._last = ""  # key of the step that ended last

    # ------------------------------------------------------------------ what the link brings

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """See ``ui.dashboard.window``. Its being called is what keeps the control held."""
        del now_s
        if self.operator is not None:
            self.operator.turn()
        for item in items:
            if not isinstance(item, Mapping):
                # By cycle, not by place in its block: evenly spaced.
                for row in item.rows[item.rows[:, INDEX["cycle"]] % LIVE_EVERY == 0]:
                    self.live.append((row[_TIME], row[_NUT], row[_FORCE]))
        self.take()

    def take(self) -> None:
        """Pick up what the bring-up has told."""
        while not self._told.empty():
            self._told.get()()

    def close(self) -> None:
        """The window closes: stop, and wait until rig and record are safe."""
        if self._thread is not None:
            self.break_off("the window was closed")
            self._thread.join(ENDS_S)

    # ------------------------------------------------------------------ how it stands

    @property
    def running(self) -> bool:
        return self._thread is not None

    @property
    def question(self) -> Question | None:
        return self.operator.question if self.operator is not None else self.values.question

    @property
    def hold_text(self) -> str:
        """Why the hold-to-run control is wanted, '' if it is not."""
        return self.operator.hold_text if self.operator is not None else ""

    @property
    def holding(self) -> bool:
        return self.operator is not None and self.operator.holding

    @property
    def doing(self) -> str:
        return self.operator.doing if self.operator is not None else ""

    def state_of(self, step: Step) -> str:
        """A verdict's word, or ``RUNNING``."""
        if self.current is step:
            return RUNNING
        result = self.results.get(step.key)
        return str(result.verdict if result else Verdict.NOT_RUN)

    @property
    def shown(self) -> Step:
        """The step whose words and evidence are shown."""
        wanted = next((s for s in self.steps if s.key == self.looked_at), None)
        return wanted or self.current or self.steps[0]

    @property
    def passed(self) -> int:
        return sum(r.verdict is Verdict.PASS for r in self.results.values())

    @property
    def record_text(self) -> str:
        """Folder of the record shown, in words."""
        return f"Ended · record {self.folder / HTML}" if self.folder else "Ended"

    @property
    def why_not_begin(self) -> str:
        """Why a bring-up cannot be begun now, '' if it can."""
        if self.running:
            return "it runs already"
        return self.values.in_the_way or why_not_begin(self.model, self.session)

    # ------------------------------------------------------------------ acts

    def look_at(self, key: str) -> None:
        self.looked_at = key

    def set_alone(self, alone: bool) -> None:
        """Return whether simulated hands answer by themselves."""
        self.alone = alone and self.model.simulated
        if self.operator is not None:
            self.operator.alone = self.alone

    def answer(self, value: float | str | bool) -> None:
        """Answer the question that is shown; see ``PageOperator.answer``."""
        if self.operator is not None:
            if self.operator.question is not None:
                self.operator.answer(self.operator.question, value)
        elif self.values.question is not None:
            if value is True:
                self.message, self.wrong = "Writing.", False
                self.values.write(
                    lambda text, done: self._told.put(lambda: self._have_written(text, done))
                )
            self.values.question = None

    def grip(self) -> None:
        """The hold-to-run control has been pressed."""
        if self.operator is not None:
            self.operator.grip()

    def let_go(self) -> None:
        """The hold-to-run control has been let go: told to the rig host at once."""
        if self.operator is not None:
            wanted = self.operator.holding
            self.operator.let_go()
            if wanted and not self.operator.holding and self._runner is not None:
                self._runner.tell_let_go()

    def choose_record(self, folder: Path | None) -> None:
        """Go on with this record, None for a new one."""
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
        self._told.put(lambda: self._have_read(folder, results, problem))

    def _have_read(self, folder: Path, results: dict[str, Result], problem: str) -> None:
        if self.running or folder != self.folder:
            return
        self.results = results
        if problem:
            self.folder, self.message, self.wrong = None, problem, True
        else:
            self._sum_up()

    def renew_records(self) -> None:
        """Look again for records of this rig."""
        self.kept = kept_records(self._records, self.model.profile.name, len(self.steps))

    def begin(self, only: str = "") -> None:
        """Begin, or go on: every step that is not, or no longer, verified.

        Args:
            only: this step alone, after what it needs and is not verified.
        """
        if self.why_not_begin or self.session is None:
            self.message, self.wrong = f"not begun: {self.why_not_begin}", True
            return
        self.message, self.wrong, self.looked_at = "", False, ""
        self.values.question, self._last = None, ""
        self.note = "Opening the record."
        self._breaking_off.clear()
        resume = self.folder is not None
        if self.folder is None:
            self.folder, self.results = new_folder(self._records, self.model.profile.name), {}
        self.session.client.post_release()
        self._thread = threading.Thread(
            target=self._work,
            args=(self.session, self.folder, resume, only),
            name="bring-up",
            daemon=True,  # a window that dies must not leave it behind, in control
        )
        self._thread.start()

    def offer_values(self) -> None:
        """Ask whether to write the values that are proposed into the profile."""
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
        self.message, bad = summary(self.steps, self.results, bool(self.model.unverified))
        self.wrong = bool(bad)
        if self.proposed:
            self.message += " Measured values are proposed for the profile (W)."
        self.looked_at = self.looked_at or bad or self._last

    def _have_written(self, text: str, done: bool) -> None:
        self.message, self.wrong = text, not done
        if done:
            self.results = {key: without_changes(r) for key, r in self.results.items()}

    def break_off(self, why: str = "broken off by the operator") -> None:
        """Stop the rig and end; the record is kept."""
        if self.running:
            self.note = why
            self._breaking_off.set()
            if self._runner is not None:
                self._runner.break_off(why)

    # ------------------------------------------------------------------ in its own thread

    def _work(self, session: Session, folder: Path, resume: bool, only: str) -> None:
        try:
            with contextlib.ExitStack() as stack:
                text, wrong = self._bring_up(stack, session, folder, resume, only)
        except (RecordError, LinkError, DriverError, OSError) as error:
            text, wrong = str(error), True
        except Exception as error:  # the window must learn that nothing runs any more
            text, wrong = f"the bring-up has failed ({type(error).__name__}: {error})", True
        self._told.put(lambda: self._ended(text, wrong))

    def _bring_up(
        self, stack: contextlib.ExitStack, session: Session, folder: Path, resume: bool, only: str
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
        client = stack.enter_context(connect_beside(session.client, "bring-up"))
        hands = None
        if description.get("environment"):
            control = EnvironmentClient(str(description["environment"]))
            stack.callback(control.close)
            hands = SimulatedOperator(control, rig_parameters(profile))
        operator = self.operator = PageOperator(hands, self.alone)
        runner = self._runner = PageRunner(client, operator, operator.confirm, self._tell)
        if self._breaking_off.is_set():
            runner.break_off(self.note)
        steps = record.to_reach(only) if only else record.to_run()
        context = record.context(profile, facts, self.alone)

        def on_start(step: Step) -> None:
            record.on_start(step)
            self._told.put(lambda: self._begun(step))

        def on_result(step: Step, result: Result) -> None:
            record.on_result(step, result)
            standing = {e["step"]: e["verdict"] for e in record.data["steps"]}
            self._told.put(lambda: self._came(step, result, standing))

        ended = runner.run(
            record.watch(bring_up(steps, context, record.passed, on_start, on_result))
        )
        self._tell("Writing the record.")
        return end_text(ended, runner.why), ended.how != "finished"

    def _tell(self, text: str) -> None:
        self._told.put(lambda: self._noted(text))

    # ------------------------------------------------------------------ told, on the page's own

    def _noted(self, text: str) -> None:
        step = self.current
        # What a step says of itself stands on the page already, and would pass for an order.
        self.note = "" if step and text == f"{step.title}: {step.happens}" else text

    def _begun(self, step: Step) -> None:
        self.current = step
        self.results.pop(step.key, None)
        self.note = ""

    def _came(self, step: Step, result: Result, standing: dict[str, str]) -> None:
        self.current = None
        self.results[step.key] = result
        self._last = step.key
        # A failure takes what was verified on the strength of it.
        for key, verdict in standing.items():
            had = self.results.get(key)
            if verdict == Verdict.NOT_RUN and had is not None and had.verdict is Verdict.PASS:
                self.results[key] = Result(key, text=f"to be verified again: {step.title}")

    def _ended(self, text: str, wrong: bool) -> None:
        cut = self.current
        if cut is not None:
            self.results[cut.key] = Result(cut.key, text="begun and broken off: to be repeated")
        self.current = self.operator = self._runner = self._thread = None
        self.message, self.wrong = text, wrong
        if not wrong:
            self._sum_up()
        elif cut is not None:
            self.looked_at = cut.key
        if self.session is not None and not self.model.watch_only:
            self.session.take_control()
        if self.folder is not None and not (self.folder / YAML).exists():
            self.folder = None
        self.renew_records()
