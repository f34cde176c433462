"""The Measure page in plain Python: the plan, what is asked, figures as they come in.

The tests run in a thread of their own with a client of their own, which holds control as long
as they run; the window's gives it up before and asks for it afterwards. No Qt here.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from drivers.base import DriverError
from drivers.simulated import EnvironmentClient
from hil.control import profile_in_force
from hil.core import INDEX
from hil.link import LinkError, connect_beside
from hil.measure import TESTS, EndOfTest, EvaluatedRun, GuardedTest, measure_all
from hil.procedures import SimulatedOperator
from hil.profile import Profile, rig_parameters
from hil.recorder import RunError
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided import PageOperator, PageRunner, Question
from ui.dashboard.measure.filing import (
    Kept,
    keep_run,
    kept_measurements,
    new_folder,
    read_measurement,
    write_data_sheet,
)
from ui.dashboard.measure.words import end_text, run_length, summary, why_not_begin

ENDS_S = 20.0  # power off, and the run on the disk
RECORDED_S = 60.0  # for the recorder to finish the last run
LIVE_S, LIVE_EVERY = 15.0, 20  # what is drawn while a test runs, of every so many samples
_TIME, _NUT, _FORCE = (INDEX[name] for name in ("time_s", "nut_position_m", "spring_force_N"))


class MeasureModel:
    """View model of the page.

    Args:
        model, session: of the window; without a session nothing can be begun.
        runs: folder of runs; measurements are kept beside it, in ``measured``.
        tests: of the plan, in order.

    Attributes:
        picked: keys of the tests that will be run.
        results: of the measurement that is shown, by the test's key.
        ends: how tests ended that did not finish, by key.
        current: the test that runs, or None.
        looked_at: key of the test that was asked for; '' follows the one that runs.
        operator: asks and is answered, while tests run.
        folder: of the measurement that is shown; None for a new one.
        sheet: its data sheet (HTML), or None.
        kept: measurements of this rig, newest first.
        message, wrong: what there is to say while nothing runs, and whether it is bad news.
        note: last word of what runs.
        live: (time in s, nut in m, force in N) of the last seconds.
        last_seconds: the same before a test was ended by something else, by its key.
        filing: number of runs that are being evaluated and sheets that are being written.
    """

    def __init__(
        self,
        model: OperateModel,
        session: Session | None,
        runs: Path | None,
        tests: Sequence[GuardedTest] = TESTS,
    ) -> None:
        self.model, self.session = model, session
        self.tests = tests
        self.picked = {test.key for test in tests}
        self.results: dict[str, EvaluatedRun] = {}
        self.ends: dict[str, EndOfTest] = {}
        self.current: GuardedTest | None = None
        self.looked_at = ""
        self.operator: PageOperator | None = None
        self.folder: Path | None = None
        self.sheet: Path | None = None
        self.kept: list[Kept] = []
        self.message, self.wrong = "", False
        self.note = ""
        self.live: deque[tuple[float, float, float]] = deque(
            maxlen=round(LIVE_S * model.profile.control.rate / LIVE_EVERY)
        )
        self.last_seconds: dict[str, list[tuple[float, float, float]]] = {}
        self.filing = 0
        self.alone = model.simulated
        self._runs = runs
        self._measured = Path("measured") if runs is None else runs.parent / "measured"
        self._told: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._runner: PageRunner | None = None
        self._breaking_off = threading.Event()
        self._one_at_a_time = threading.Lock()
        self._awaited: dict[str, GuardedTest] = {}  # runs that the recorder still writes
        self._recorded: set[str] = set()
        self._finished: set[str] = set()  # tests, since the last begin
        self._plan: list[GuardedTest] = []
        self._begun_s = self._whole_s = 0.0

    # ------------------------------------------------------------------ what the link brings

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """See ``ui.dashboard.window``. Its being called is what keeps the control held."""
        del now_s
        if self.operator is not None:
            self.operator.turn()
        for item in items:
            if not isinstance(item, Mapping):
                for row in item.rows[item.rows[:, INDEX["cycle"]] % LIVE_EVERY == 0]:
                    self.live.append((row[_TIME], row[_NUT], row[_FORCE]))
            elif item.get("kind") == "recorded":
                self._recorded.add(str(item.get("run", "")))
                self._keep_recorded()
        self.take()

    def take(self) -> None:
        """Pick up what other threads have told."""
        while not self._told.empty():
            self._told.get()()

    def close(self) -> None:
        """The window closes: stop, and wait until the rig is safe."""
        if self._thread is not None:
            self.break_off("the window was closed")
            self._thread.join(ENDS_S)

    # ------------------------------------------------------------------ how it stands

    @property
    def running(self) -> bool:
        return self._thread is not None

    @property
    def question(self) -> Question | None:
        return self.operator.question if self.operator is not None else None

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

    @property
    def shown(self) -> GuardedTest:
        """The test whose words and figures are shown."""
        wanted = next((t for t in self.tests if t.key == self.looked_at), None)
        return wanted or self.current or self.tests[0]

    @property
    def record_text(self) -> str:
        """Place of the measurement that is shown."""
        return f"Ended · measurement {self.folder}" if self.folder else "Ended"

    @property
    def why_not_begin(self) -> str:
        """Why nothing can be begun now, '' if it can."""
        if self.running:
            return "it runs already"
        if self.filing:
            return "the last runs are being evaluated"
        if self._runs is None and self.session is not None:
            return "the folder of runs is not known to this window; start it with --runs"
        return why_not_begin(self.model, self.session)

    def evaluating(self, test: GuardedTest) -> bool:
        """Return whether the test has ended well, and its figures are being made."""
        return test.key in self._finished and test.key not in self.results

    @property
    def profile(self) -> Profile:
        return self.model.profile

    @property
    def left_s(self) -> float:
        """Time that the tests still take, without that of hands; of the plan if none runs."""
        if not self.running:
            return run_length((t for t in self.tests if t.key in self.picked), self.profile)
        left = run_length(self._plan, self.profile)
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

    def look_at(self, key: str) -> None:
        self.looked_at = key

    def pick(self, key: str) -> None:
        """Take a test into the plan, or leave it out."""
        if not self.running:
            self.picked ^= {key}

    def set_alone(self, alone: bool) -> None:
        """Let simulated hands answer by themselves, or not."""
        self.alone = alone and self.model.simulated
        if self.operator is not None:
            self.operator.alone = self.alone

    def answer(self, value: float | str | bool) -> None:
        """Answer the question that is shown; see ``PageOperator.answer``."""
        if self.operator is not None and self.operator.question is not None:
            self.operator.answer(self.operator.question, value)

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

    def renew_kept(self) -> None:
        """Look again for measurements of this rig."""
        self.kept = kept_measurements(self._measured, self.profile.name)

    def choose(self, folder: Path | None) -> None:
        """Show this measurement and go on with it, None for a new one."""
        if self.running or self.filing or folder == self.folder:
            return
        self.folder, self.sheet, self.results, self.ends = folder, None, {}, {}
        self.looked_at, self.message, self.wrong = "", "", False
        self.picked, self._finished = {test.key for test in self.tests}, set()
        if folder is not None:
            self._in_background(
                lambda: read_measurement(folder, self.tests), partial(self._have_read, folder)
            )

    def begin(self, only: str = "") -> None:
        """Run the tests that are picked, or ``only`` this one."""
        plan = [t for t in self.tests if t.key == only or (not only and t.key in self.picked)]
        why = self.why_not_begin or ("" if plan else "no test is picked: I takes one in")
        if why or self.session is None:
            self.message, self.wrong = f"Not begun: {why}.", True
            return
        self.message, self.wrong, self.looked_at = "", False, ""
        self.note = "Taking control."
        self._breaking_off.clear()
        self._plan, self._whole_s = list(plan), run_length(plan, self.profile)
        if self.folder is None:
            self.folder, self.results = new_folder(self._measured, self.profile.name), {}
        self.ends, self.last_seconds, self._finished = {}, {}, set()
        self.session.client.post_release()
        self._thread = threading.Thread(
            target=self._work,
            args=(self.session, plan),
            name="measure",
            daemon=True,  # a window that dies must not leave it behind, in control
        )
        self._thread.start()

    def break_off(self, why: str = "broken off by the operator") -> None:
        """Stop the rig and end; finished tests are kept."""
        if self.running:
            self.note = why
            self._breaking_off.set()
            if self._runner is not None:
                self._runner.break_off(why)

    # ------------------------------------------------------------------ in its own thread

    def _work(self, session: Session, plan: list[GuardedTest]) -> None:
        try:
            with contextlib.ExitStack() as stack:
                text, wrong = self._measure(stack, session, plan)
        except (LinkError, DriverError, OSError) as error:
            text, wrong = f"Ended: {error}.", True
        except Exception as error:  # the window must learn that nothing runs any more
            text, wrong = f"The measurement has failed ({type(error).__name__}: {error}).", True
        self._told.put(lambda: self._has_ended(text, wrong))

    def _measure(
        self, stack: contextlib.ExitStack, session: Session, plan: list[GuardedTest]
    ) -> tuple[str, bool]:
        client = stack.enter_context(connect_beside(session.client, "measure"))
        description = client.description
        profile = profile_in_force(description)
        hands, hang, push = None, None, None
        if description.get("environment"):
            control = EnvironmentClient(str(description["environment"]))
            stack.callback(control.close)
            hands = SimulatedOperator(control, rig_parameters(profile))
            hang, push = control.hang, control.push
        operator = self.operator = PageOperator(hands, self.alone, hang)
        runner = PageRunner(client, operator, operator.confirm, self._tell, push=push)
        self._runner = runner
        if self._breaking_off.is_set():
            runner.break_off(self.note)

        def on_start(test: GuardedTest) -> None:
            self._told.put(lambda: self._begun(test))

        def on_end(end: EndOfTest) -> None:
            name = runner.recording
            self._told.put(lambda: self._came(end, name))

        ended = runner.run(measure_all(plan, profile, on_start, on_end))
        self._tell("Waiting for the recorder.")
        runner.wait_recorded(RECORDED_S)
        return end_text(ended, runner.why), ended.how != "finished"

    def _tell(self, text: str) -> None:
        self._told.put(lambda: self._noted(text))

    # ------------------------------------------------------------------ told, on the page's own

    def _noted(self, text: str) -> None:
        test = self.current
        # What a test says of itself stands on the page already, and would pass for an order.
        self.note = "" if test and text == f"{test.title}: {test.purpose}" else text

    def _begun(self, test: GuardedTest) -> None:
        self.current, self._begun_s = test, time.monotonic()
        self.note = ""

    def _came(self, end: EndOfTest, run: str) -> None:
        self.current = None
        self._plan = [test for test in self._plan if test.key != end.key]
        if end.how != "finished":
            self._cut(end)
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
            if self._runs is not None and self.folder is not None:
                self._in_background(
                    partial(keep_run, self._runs / name, self.folder, test), self._have
                )
        self._recorded &= self._awaited.keys()

    def _has_ended(self, text: str, wrong: bool) -> None:
        cut = self.current
        if cut is not None:
            self._cut(EndOfTest(cut.key, "stopped", "begun and broken off"))
        bad = next(iter(self.ends.values()), None)
        self.current = self.operator = self._runner = self._thread = None
        self.message, self.wrong = text, wrong
        if bad is not None:
            self.looked_at = bad.key
        if self.session is not None and not self.model.watch_only:
            self.session.take_control()
        self._sum_up()

    def _sum_up(self) -> None:
        """Write the data sheet once everything is evaluated, and say what it came to."""
        if self.running or self.filing:
            return
        if not self.wrong:
            self.message, self.wrong = summary(self.tests, self.results, self.ends)
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
        """``then`` gets what ``work`` returns, on the page's own thread; one after the other."""
        self.filing += 1

        def go() -> None:
            with self._one_at_a_time:
                try:
                    done = work()
                except (RunError, OSError) as error:
                    self._told.put(partial(self._failed, str(error)))
                except Exception as error:  # the page must learn of it
                    self._told.put(partial(self._failed, f"{type(error).__name__}: {error}"))
                else:
                    self._told.put(partial(self._done, then, done))

        threading.Thread(target=go, name="figures", daemon=True).start()

    def _done(self, then: Callable[[Any], None], done: Any) -> None:
        self.filing -= 1
        then(done)

    def _failed(self, text: str) -> None:
        self.filing -= 1
        self.message, self.wrong = f"No figures: {text}", True

    def _have(self, result: EvaluatedRun) -> None:
        self.results[result.test.key] = result
        self.sheet = None
        self._sum_up()

    def _have_read(self, folder: Path, results: dict[str, EvaluatedRun]) -> None:
        if folder != self.folder:
            return
        self.show(folder, results)
        self._sum_up()

    def show(self, folder: Path, results: dict[str, EvaluatedRun]) -> None:
        """Show a measurement that has been read; what it lacks is picked."""
        self.folder, self.results = folder, results
        self.picked = {test.key for test in self.tests if test.key not in results}
        self.message, self.wrong = summary(self.tests, self.results, self.ends)

    def _have_sheet(self, sheet: Path) -> None:
        self.sheet = sheet
        self.renew_kept()
