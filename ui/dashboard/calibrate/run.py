"""A guided calibration under way: in its own thread, reported to the page's. No Qt."""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

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
from hil.profile import Profile
from ui.dashboard.bench import Session
from ui.dashboard.calibrate.rig import PageRig
from ui.dashboard.guided import PageRun, ProcedureThread, Put, end_text

LIVE_S, LIVE_EVERY = 3.0, 10  # drawn of the reading, every so many samples
LEAST_POINTS = 4  # before a law is fitted to them on the way
_TIME, _COUNTS, _CYCLE = (INDEX[name] for name in ("time_s", "deflection_counts", "cycle"))
KEPT = "The rig was left with power off, and nothing was calibrated."


class GuidedRun(ProcedureThread[PageRun]):
    """The run, or the last one.

    Args:
        session: see ``ProcedureThread``.
        rate_Hz: rate of the bench's samples.
        put: takes what is to be done on the page's own thread.
        ended: called there with a sentence and the result, or None.
        remark: called there with what the operator should know.

    Attributes:
        plan, options: loads of one series, and how it is done.
        points, law_so_far: taken so far, and the law fitted to them on the way.
        progress: latest progress of the procedure, or None.
        note: the series, and what hangs, as text. remarks: other messages.
        settling: slope in counts/s and scatter in counts of the last window, or None.
        live: (time in s, reading in counts) of the last seconds.
    """

    NAME = "calibrate"
    FAILED = "The calibration has failed ({})."

    def __init__(
        self,
        session: Session | None,
        rate_Hz: float,
        put: Put,
        ended: Callable[[str, CalibrationResult | None], None],
        remark: Callable[[str], None],
    ) -> None:
        super().__init__(session, put)
        self._on_end, self._remark = ended, remark
        self.live: deque[tuple[float, float]] = deque(
            maxlen=max(2, round(LIVE_S * rate_Hz / LIVE_EVERY))
        )
        self._fitting = False
        self.clear()

    def clear(self) -> None:
        """Clear the last run."""
        self.plan: Sequence[PlannedLoad] = ()
        self.options = Options()
        self.points: list[CalibrationPoint] = []
        self.law_so_far: Fit | None = None
        self.progress: Progress | None = None
        self.note = ""
        self.remarks: list[str] = []
        self.settling: tuple[float, float] | None = None
        self._found: CalibrationResult | None = None

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
        """Start a run."""
        self.clear()
        self.options, self.plan = options, plan
        self._start(partial(self._calibrate, rig, profile, alone))

    def abort(self, why: str = "aborted by the operator") -> None:
        """Stop the rig and end."""
        if self.running:
            self.note = why
        super().abort(why)

    # ------------------------------------------------------------------ in threads of their own

    def _calibrate(
        self, rig: PageRig, profile: Profile, alone: bool, stack: contextlib.ExitStack
    ) -> tuple[str, bool]:
        operator, runner = rig.open(stack, alone, self._say)
        self._opened(operator, runner)
        ended = runner.run(calibrate(profile, self.options, self._tell))
        if isinstance(ended.value, CalibrationResult):
            self._found = ended.value
        return end_text(ended, runner.why, KEPT), self._found is None

    def _tell(self, progress: Progress) -> None:
        self._put(lambda: self._progress(progress))

    def _say(self, text: str) -> None:
        self._put(lambda: self._noted(text))

    def _lay_law(self, points: list[CalibrationPoint]) -> None:
        fit: Fit | None = None
        with contextlib.suppress(FitError):
            fit = choose_law(table_of(points))[0]
        self._put(lambda: self._have_law(fit))

    # ------------------------------------------------------------------ reported, on the page's own thread

    def _progress(self, progress: Progress) -> None:
        self.progress = progress
        self.settling = None
        if progress.kind == "settling":
            self.settling = (progress.slope_counts_s, progress.scatter_counts)
        if progress.point is None:
            return
        self.points.append(progress.point)
        if len(self.points) >= LEAST_POINTS and not self._fitting:
            # It takes about 20 ms, in which the rig's own thread would send no heartbeat.
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

    def _ended(self, text: str, wrong: bool) -> None:
        del wrong  # the page knows it from the result
        self.settling = None
        self._on_end(text, self._found)
