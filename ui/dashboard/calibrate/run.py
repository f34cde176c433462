"""A guided calibration under way: in a thread of its own, told to the page's. No Qt.

It has a client of its own, which holds control as long as it runs.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from drivers.base import DriverError
from hil.calibration import (
    CalibrationPoint,
    CalibrationResult,
    Fit,
    FitError,
    Options,
    PlannedLoad,
    Progress,
    calibrate,
    choose_law,
    table_of,
)
from hil.core import INDEX
from hil.link import LinkError
from hil.procedures import Ended
from hil.profile import Profile
from ui.dashboard.calibrate.rig import PageRig, PageRun
from ui.dashboard.guided import PageOperator

ENDS_S = 20.0
LIVE_S, LIVE_EVERY = 3.0, 10  # what is drawn of the reading, of every so many samples
LEAST_POINTS = 4  # before a law is laid through them on the way
_TIME, _COUNTS, _CYCLE = (INDEX[name] for name in ("time_s", "deflection_counts", "cycle"))
Put = Callable[[Callable[[], None]], None]


class GuidedRun:
    """The run, or the last one.

    Args:
        rate_Hz: of the bench's samples.
        put: takes what is to be done on the page's own thread.
        ended: called there with a sentence and the result, or None.
        remark: called there with what the operator should know.

    Attributes:
        plan, options: loads of one series, and how it is done.
        points, law_so_far: taken until now, and the law laid through them on the way.
        progress: the last word of the procedure, or None.
        note: which series, and what hangs, in words. remarks: what else was said.
        settling: slope in counts/s and scatter in counts of the last window, or None.
        live: (time in s, reading in counts) of the last seconds.
        operator: asks and is answered, while it runs.
    """

    def __init__(
        self,
        rate_Hz: float,
        put: Put,
        ended: Callable[[str, CalibrationResult | None], None],
        remark: Callable[[str], None],
    ) -> None:
        self._put, self._on_end, self._remark = put, ended, remark
        self.live: deque[tuple[float, float]] = deque(
            maxlen=max(2, round(LIVE_S * rate_Hz / LIVE_EVERY))
        )
        self.operator: PageOperator | None = None
        self._thread: threading.Thread | None = None
        self._runner: PageRun | None = None
        self._breaking_off = threading.Event()
        self._fitting = False
        self.clear()

    def clear(self) -> None:
        """Forget the last one."""
        self.plan: Sequence[PlannedLoad] = ()
        self.options = Options()
        self.points: list[CalibrationPoint] = []
        self.law_so_far: Fit | None = None
        self.progress: Progress | None = None
        self.note = ""
        self.remarks: list[str] = []
        self.settling: tuple[float, float] | None = None

    @property
    def running(self) -> bool:
        return self._thread is not None

    def feed(self, items: Iterable[Any]) -> None:
        """Take in what the link brings. Each call keeps the operator's heartbeat alive."""
        if self.operator is not None:
            self.operator.turn()
        for item in items:
            if not isinstance(item, Mapping):
                for row in item.rows[item.rows[:, _CYCLE] % LIVE_EVERY == 0]:
                    self.live.append((row[_TIME], row[_COUNTS]))

    def begin(
        self,
        rig: PageRig,
        profile: Profile,
        options: Options,
        plan: Sequence[PlannedLoad],
        alone: bool,
    ) -> None:
        """Start; whoever holds control must give it up now."""
        self.clear()
        self.options, self.plan = options, plan
        self._breaking_off.clear()
        self._thread = threading.Thread(
            target=self._work,
            args=(rig, profile, options, alone),
            name="calibrate",
            daemon=True,  # a window that dies must not leave it behind, in control
        )
        self._thread.start()

    def break_off(self, why: str) -> None:
        """Stop the rig and end."""
        if self.running:
            self.note = why
            self._breaking_off.set()
            if self._runner is not None:
                self._runner.break_off(why)

    def wait(self) -> None:
        """Until it has ended and the rig is safe."""
        if self._thread is not None:
            self._thread.join(ENDS_S)

    # ------------------------------------------------------------------ in threads of their own

    def _work(self, rig: PageRig, profile: Profile, options: Options, alone: bool) -> None:
        result: CalibrationResult | None = None
        try:
            with contextlib.ExitStack() as stack:
                self.operator, runner = rig.open(stack, alone, self._say)
                self._runner = runner
                if self._breaking_off.is_set():
                    runner.break_off(self.note)
                ended = runner.run(calibrate(profile, options, self._tell))
                text = _in_words(ended, runner.why)
                if isinstance(ended.value, CalibrationResult):
                    result = ended.value
        except (LinkError, DriverError, OSError) as error:
            text = f"Ended: {error}."
        except Exception as error:  # the window must learn that nothing runs any more
            text = f"The calibration has failed ({type(error).__name__}: {error})."
        self._put(lambda: self._ended(text, result))

    def _tell(self, progress: Progress) -> None:
        self._put(lambda: self._progress(progress))

    def _say(self, text: str) -> None:
        self._put(lambda: self._noted(text))

    def _lay_law(self, points: list[CalibrationPoint]) -> None:
        fit: Fit | None = None
        with contextlib.suppress(FitError):
            fit = choose_law(table_of(points))[0]
        self._put(lambda: self._have_law(fit))

    # ------------------------------------------------------------------ told, on the page's own

    def _progress(self, progress: Progress) -> None:
        self.progress = progress
        self.settling = None
        if progress.kind == "settling":
            self.settling = (progress.slope_counts_s, progress.scatter_counts)
        if progress.point is None:
            return
        self.points.append(progress.point)
        if len(self.points) >= LEAST_POINTS and not self._fitting:
            # It takes some 20 ms, in which the rig's own thread would not heartbeat.
            self._fitting = True
            threading.Thread(
                target=self._lay_law, args=(list(self.points),), name="law so far", daemon=True
            ).start()

    def _noted(self, text: str) -> None:
        if text.startswith("series "):
            self.note = text
        else:
            self.remarks.append(text)
            self._remark(text)

    def _have_law(self, fit: Fit | None) -> None:
        self._fitting = False
        if self.running:
            self.law_so_far = fit

    def _ended(self, text: str, result: CalibrationResult | None) -> None:
        self.operator = self._runner = self._thread = None
        self.settling = None
        self._on_end(text, result)


def _in_words(ended: Ended, why: str) -> str:
    if ended.how == "finished":
        return ""
    how = {"interrupted": why, "lost": f"contact lost: {ended.text}"}
    text = (how.get(ended.how) or ended.text).rstrip(".")
    return f"Ended: {text}. The rig was left without power, and nothing was calibrated."
