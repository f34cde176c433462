"""Model of the Operate page in plain Python: fed by the link, read by widgets.

No Qt here, no clock and no socket: ``feed`` and ``tick`` are given the time, so every state of
the page can be reached in a test by handing in rows and events.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.motion import FORCE, speak
from hil.analysis import mark_label
from hil.calibration import DriftWarning
from hil.control import cap_from, profile_in_force
from hil.core import INDEX, Cause, Limit, State, fix, label
from hil.link import Answer
from hil.profile import Profile, profile_from_dict
from ui.dashboard.bench.behaviour_forms import BehaviourForm, behaviour_forms, narrow_forms
from ui.dashboard.bench.bench_standing import BenchStanding
from ui.dashboard.bench.first_notices import first_notices, unverified_text
from ui.dashboard.bench.request_status import RequestStatus
from ui.dashboard.bench.rig_statics import borne_mass
from ui.dashboard.bench.spring_choice import SpringChoice
from ui.dashboard.bench.trace_buffer import TraceBuffer
from ui.dashboard.bench.traces import TRACES
from ui.dashboard.bench.wording import clock_text, number

_TRACE_COLUMNS = [INDEX[name] for name in TRACES]
_STATE = INDEX["state"]
_LIMITED = INDEX["limited"]
_TIME = INDEX["time_s"]
_CYCLE = INDEX["cycle"]
HISTORY_S = 1800.0
MOST_SAMPLES = 4_000_000
FIGURES_S = 0.15  # averaging time of the big numbers, and their update period
LIMITED_HOLD_S = 1.0  # limiting shows at least this long
LIMITED_AGAIN_S = 10.0


@dataclass(frozen=True)
class Mark:
    time_s: float
    text: str


class OperateModel(BenchStanding):
    """View model of the bench.

    Args:
        description: what the rig host reported at hello (see ``hil.link.client``).
        history_s: how far back the charts reach.

    Attributes:
        refusal: why the bench refused the last request, '' if it did not.
        lost_samples, hung_kg, hand_N: set by the session.
    """

    def __init__(self, description: Mapping[str, Any], history_s: float = HISTORY_S) -> None:
        super().__init__()
        self.description = description
        self.profile: Profile = profile_in_force(description)
        self.cap = cap_from(description)
        self.limits_changed = 0  # number of times limits were narrowed or widened
        self._as_loaded = profile_from_dict(description["profile"])
        speak(self.profile.motion)
        self.simulated = bool(description.get("simulated"))
        self.period_s = 1.0 / self.profile.control.rate
        self.forms: list[BehaviourForm] = behaviour_forms(self.profile, self.cap)
        capacity = min(int(history_s * self.profile.control.rate), MOST_SAMPLES)
        self.buffer = TraceBuffer(len(TRACES), capacity)
        self.figures = self.row.copy()
        self.marks: deque[Mark] = deque(maxlen=500)
        self.notices: deque[tuple[str, str]] = deque(maxlen=50)  # (wall clock, text)
        self.refusal = ""
        self.word = RequestStatus()
        self.late_cycles = 0
        self.skipped_periods = 0
        self.lost_samples = 0
        self.link_delay_s = math.nan  # of a link over the network
        self.tare_N = 0.0
        self.unverified = unverified_text(description, self._as_loaded)
        self.reference = str(description.get("reference") or "")
        for text in first_notices(description, self.unverified):
            self.say(text)
        self.winding = math.nan  # its heat, as a share of what is permitted continuously
        self.drift: list[DriftWarning] = []  # set by the calibration watch
        self.springs: SpringChoice | None = None  # sets other than the one in use
        self.service: list[str] = []  # what needs service by the recorded runs, as text
        self.applied: dict[str, Any] = {}
        self.chosen = 1
        self.follow = False
        self.hung_kg: float | None = None
        self.hand_N = 0.0
        self._pace: deque[tuple[float, float]] = deque(maxlen=64)
        self._limited_until: dict[int, float] = {}
        self._figures_due = 0.0
        self._limited: dict[str, float] = {}
        self._recent: list[NDArray[np.float64]] = []

    # ------------------------------------------------------------------ input

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Take blocks (``.rows`` of shape (n, len(COLUMNS))) and events (mappings)."""
        self.tick(now_s)
        for item in items:
            self._received_s = now_s
            if isinstance(item, Mapping):
                self._event(item)
            else:
                self._rows(np.asarray(item.rows))
        self._renew_figures()

    def tick(self, now_s: float) -> None:
        """Let time pass without input."""
        self.now_s = now_s
        self.word.fade(now_s)

    def asked(self, what: str) -> None:
        """Note a request to the bench whose answer is pending."""
        self.refusal = ""
        self.word.asked(what)

    def answered(self, what: str, answer: Answer) -> None:
        """Take in the answer of the bench, or that none came in time."""
        if answer.accepted:
            self.word.done(what, self.now_s)
            return
        self.energising = False
        self.refusal = f"no answer: {answer.text}" if answer.silent else answer.text
        self.word.failed(what, self.refusal)
        self.say(f"{what}: {self.refusal}")

    def _rows(self, rows: NDArray[np.float64]) -> None:
        if not len(rows):
            return
        times = rows[:, _TIME]
        if self.buffer.count and times[0] < self.buffer.end_s:
            # Another rig host answers on this link; its clock restarted.
            self.buffer.clear()
            self.marks.clear()
            self._pace.clear()
            self._figures_due = 0.0
            self._limited_until.clear()
            self._limited.clear()
        self.buffer.append(times, rows[:, _TRACE_COLUMNS])
        self.row = rows[-1].copy()
        self._pace.append((float(times[-1]), float(rows[-1, _CYCLE])))
        self._recent.append(rows)
        mask = int(np.bitwise_or.reduce(rows[:, _LIMITED].astype(np.int64)))
        for limit in Limit:
            if mask >> limit & 1:
                self._limited_until[limit] = float(times[-1]) + LIMITED_HOLD_S
        if self.state is not State.RUNNING:
            self.working_since = None
        elif self.working_since is None:
            began = int(np.argmax(rows[:, _STATE] == State.RUNNING))
            self.working_since = float(times[began])

    def _renew_figures(self) -> None:
        if not self._recent or self.time_s < self._figures_due:
            return
        self._figures_due = self.time_s + FIGURES_S
        rows = np.concatenate(self._recent)
        rows = rows[rows[:, _TIME] > self.time_s - FIGURES_S]
        self._recent.clear()
        # A column of NaN stays NaN; only one with values is averaged.
        self.figures = rows.mean(axis=0)

    def _event(self, event: Mapping[str, Any]) -> None:
        kind = event.get("kind")
        handler = getattr(self, f"_on_{kind}", None)
        if handler is not None:
            handler(event)

    def _on_heartbeat(self, event: Mapping[str, Any]) -> None:
        self.holder = str(event.get("holder") or "") or None
        self.late_cycles = int(event.get("late_cycles", 0))
        self.skipped_periods = int(event.get("skipped_periods", 0))
        self.tare_N = float(event.get("tare_N", 0.0))
        self.reference = str(event.get("reference", self.reference))
        self.winding = float((event.get("motor_heat") or {}).get("winding", math.nan))
        self.cause_text = str(event.get("cause_text", ""))
        self.reset_needed = bool(event.get("reset_needed", False))
        self.host_gone = False

    def _on_control(self, event: Mapping[str, Any]) -> None:
        before = self.holder
        self.holder = str(event.get("holder") or "") or None
        if self.holder != before:
            self._notice(event, f"{self.holder or 'no client'} holds control")

    def _on_state(self, event: Mapping[str, Any]) -> None:
        word = str(event.get("state", ""))
        if word in State.__members__:
            state = State[word]
            self.row[_STATE] = state
            self.energising = False
            if state is State.DE_ENERGISED and self.refusal:
                self.refusal = ""
                self.word.clear()

    def _on_stop(self, event: Mapping[str, Any]) -> None:
        cause = str(event.get("cause", ""))
        detail = str(event.get("detail") or "").strip()
        self.kept_run = ""
        self.energising = False
        self.cause_text = detail
        code = int(event.get("code", 0))
        self.last_stop_fix = fix(code)
        if code == Cause.OPERATOR:
            detail = "" if detail.lower() == "operator" else detail
        self.last_stop = ": ".join(part for part in (cause, detail) if part).rstrip(".")
        clock = clock_text(event)
        if clock:
            self.last_stop += f", {clock}"
        self.marks.append(Mark(float(event.get("time_s", self.time_s)), f"stop: {cause}"))
        self._notice(event, f"stopped: {cause.lower()}")

    def _on_kept(self, event: Mapping[str, Any]) -> None:
        self.kept_run = str(event.get("run", ""))
        self._notice(event, f"kept as run {self.kept_run}")

    def _on_applied(self, event: Mapping[str, Any]) -> None:
        self.applied = dict(event.get("behaviour", {}))
        self.working_since = float(event.get("time_s", self.time_s))

    def _on_refused(self, event: Mapping[str, Any]) -> None:
        self._notice(event, f"refused: {event.get('text', '')}")

    def _on_limited(self, event: Mapping[str, Any]) -> None:
        names = ", ".join(str(name).lower() for name in event.get("limits", []))
        # A limit that comes and goes with every swing is reported only now and then.
        if self.time_s - self._limited.get(names, -math.inf) > LIMITED_AGAIN_S:
            self._limited[names] = self.time_s
            self._notice(event, f"limited by {names}")

    def _on_tare(self, event: Mapping[str, Any]) -> None:
        self.tare_N = float(event.get("tare_N", 0.0))
        self._notice(event, f"tare {number(FORCE(self.tare_N), 1)}{FORCE}")

    def _on_reference(self, event: Mapping[str, Any]) -> None:
        self.reference = str(event.get("how", ""))
        self._notice(event, str(event.get("text") or f"reference {self.reference}"))

    def _on_verification(self, event: Mapping[str, Any]) -> None:
        self.description = {**self.description, "verification": event["verification"]}
        self._take_limits()
        self.unverified = unverified_text(self.description, self._as_loaded)

    def _on_session_cap(self, event: Mapping[str, Any]) -> None:
        self.description = {**self.description, "session_cap": event.get("cap")}
        self._take_limits()
        self._notice(event, str(event.get("text", "")))

    def _take_limits(self) -> None:
        self.profile = profile_in_force(self.description)
        self.cap = cap_from(self.description)
        narrow_forms(self.forms, self.profile, self.cap)
        self.limits_changed += 1

    def _on_marker(self, event: Mapping[str, Any]) -> None:
        text = mark_label(str(event.get("text", "")))
        self.marks.append(Mark(float(event.get("time_s", self.time_s)), text))

    def _on_notice(self, event: Mapping[str, Any]) -> None:
        self._notice(event, str(event.get("text", "")))

    _on_power_removal = _on_reference_not_found = _on_notice

    def _on_host_ending(self, event: Mapping[str, Any]) -> None:
        self.host_gone = True
        if event.get("power_still_on"):
            self.left_under_power = True
        self._notice(event, "the rig host has ended")

    def _notice(self, event: Mapping[str, Any], text: str) -> None:
        self.notices.append((clock_text(event), text))

    @property
    def own_profile(self) -> Profile:
        """Profile with its own limits, even if those in force are reduced."""
        own = self._as_loaded
        return self.profile.model_copy(update={"limits": own.limits, "control": own.control})

    def say(self, text: str, clock: str = "") -> None:
        """Add a notice from the window itself."""
        self.notices.append((clock, text))

    # ------------------------------------------------------------------ choosing

    @property
    def time_s(self) -> float:
        return self.buffer.end_s

    @property
    def form(self) -> BehaviourForm:
        """The behaviour chosen in the deck, not necessarily the active one."""
        return self.forms[self.chosen - 1]

    def choose(self, number: int) -> None:
        """Choose behaviour ``number`` (1 to 5), starting from what the rig does now."""
        self.chosen = number
        self.refusal = ""
        self.follow = False
        if self.active_behaviour != self.form.code:
            for entry in self.form.fields:
                if entry.present:
                    entry.start_from(self.figure(entry.present))

    @property
    def limited(self) -> list[str]:
        """Labels of the limits that act now or did within the last second."""
        return [label(limit) for limit, until in self._limited_until.items() if until > self.time_s]

    # ------------------------------------------------------------------ numbers

    def value(self, name: str) -> float:
        """Return the latest value of a sample column, SI."""
        return float(self.row[INDEX[name]])

    def figure(self, name: str) -> float:
        """Return a short mean of a sample column, SI, steady enough to read."""
        return float(self.figures[INDEX[name]])

    def borne_mass(self) -> float:
        """Return the mass in kg that the present spring force would balance."""
        return borne_mass(
            self.profile, self.figure("spring_force_N"), self.figure("output_position_m")
        )

    def rate_hz(self) -> float:
        """Return the cycles per second over about the last second, NaN while unknown."""
        if len(self._pace) < 2:
            return math.nan
        (first_s, first), (last_s, last) = self._pace[0], self._pace[-1]
        return (last - first) / (last_s - first_s) if last_s > first_s else math.nan
