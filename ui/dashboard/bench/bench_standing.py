"""State of the bench as last received: its wording, and the requests that are permitted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.base import PowerStage
from drivers.motion import in_words, worded
from hil.core import COLUMNS, INDEX, BehaviourCode, Cause, State, sentence
from ui.dashboard.bench.recording_events import RecordingEvents
from ui.dashboard.bench.wording import BEHAVIOUR_WORDS, STATE_WORDS, duration_text

SILENT_S = 0.5  # without a message, before the page reports the link as silent
_STATE = INDEX["state"]


class BenchStanding(RecordingEvents):
    """Base of the view model of the bench: what it knows, and what follows from it.

    Attributes:
        row: latest sample, shape (len(COLUMNS),).
        holder: client in control, or None; in_control: this window, set by the session;
            reset_needed: the last reset came from a holder that has disconnected.
        kept_run, last_stop, last_stop_fix, cause_text: texts of the last stop, '' without one.
        energising: power has been requested and is not on yet.
        left_under_power: the rig host ended while the drive still showed power.
        working_since: time in s at which the active behaviour began, or None.
        now_s: time of the window's own clock.
    """

    def __init__(self) -> None:
        super().__init__()
        self.row: NDArray[np.float64] = np.full(len(COLUMNS), np.nan)
        for name in ("state", "behaviour", "limited", "tripped", "power_stage"):
            self.row[INDEX[name]] = 0.0
        self.holder: str | None = None
        self.in_control = False
        self.reset_needed = False
        self.watch_only = False
        self.kept_run = ""
        self.last_stop = ""
        self.last_stop_fix = ""
        self.cause_text = ""
        self.energising = False
        self.host_gone = False
        self.left_under_power = False
        self.working_since: float | None = None
        self.now_s = 0.0
        self._received_s: float | None = None

    @property
    def state(self) -> State:
        return State(int(self.row[_STATE]))

    @property
    def state_word(self) -> str:
        if not self.link_well:
            return "No answer"
        if self.energising and self.state is State.DE_ENERGISED:
            return "Energising"
        return STATE_WORDS[self.state]

    @property
    def link_well(self) -> bool:
        """True if something arrived within the last half second."""
        return (
            not self.host_gone
            and self._received_s is not None
            and self.now_s - self._received_s < SILENT_S
        )

    @property
    def power_still_on(self) -> bool:
        """True if the drive shows power that is not requested, or did when it last reported."""
        return self.left_under_power or (
            int(self.row[INDEX["tripped"]]) == Cause.POWER_NOT_REMOVED
            and int(self.row[INDEX["power_stage"]]) not in (PowerStage.OFF, PowerStage.FAULT)
        )

    @property
    def powered(self) -> bool:
        return self.state in (State.STANDBY, State.RUNNING)

    @property
    def active_behaviour(self) -> BehaviourCode:
        return BehaviourCode(int(self.row[INDEX["behaviour"]]))

    @property
    def state_detail(self) -> str:
        """Line below the state word."""
        if not self.link_well:
            return "the rig host is silent: use the hard-wired emergency stop if in doubt"
        if self.state is State.STOPPED:
            code = int(self.row[INDEX["tripped"]])
            said = "" if self.cause_text == "operator" else self.cause_text
            return said or sentence(code or Cause.OPERATOR)
        stage = int(self.row[INDEX["power_stage"]])
        power = "power stage on" if stage == PowerStage.ON else "power stage off"
        if self.state is State.RUNNING:
            name = BEHAVIOUR_WORDS[self.active_behaviour]
            name = worded(name, in_words(name).replace("position", "angle"))
            since = self.time_s - self.working_since if self.working_since is not None else 0.0
            return f"{power} · {name} for {duration_text(since)}"
        if self.state is State.STANDBY:
            return f"{power}, zero torque · ready for Apply"
        if stage not in (PowerStage.OFF, PowerStage.FAULT):
            return "no power is requested · the drive has not yet reported off"
        return f"{power} · sensors live · motor disabled"

    @property
    def last_stop_text(self) -> str:
        if not self.last_stop:
            return "No stop since this window opened."
        kept = f" Kept as run {self.kept_run}." if self.kept_run else ""
        return f"Last stop: {self.last_stop}.{kept}"

    @property
    def lock_reason(self) -> str:
        """Why this window may not act, '' if it may. Stop is never withheld."""
        if not self.link_well:
            return "the rig host does not answer"
        if self.in_control:
            return ""
        if self.holder:
            return f"{self.holder} holds control; this window watches"
        if self.watch_only:
            return "this window was opened to watch"
        return "no client holds control: take it to act"

    def sentence(self, why: str) -> str:
        """Return a reason as a sentence without its full stop; a client's name keeps its case."""
        named = self.holder and why.startswith(self.holder)
        return why if named else f"{why[:1].upper()}{why[1:]}"

    @property
    def why_not_apply(self) -> str:
        if self.lock_reason:
            return self.lock_reason
        if self.state is State.STOPPED:
            return "stopped: find the cause, then reset"
        if self.state is State.DE_ENERGISED:
            return "power is off: power on first"
        return ""

    @property
    def may_power_on(self) -> bool:
        return not self.lock_reason and self.state is State.DE_ENERGISED and not self.energising

    @property
    def may_power_off(self) -> bool:
        return not self.lock_reason and (self.powered or self.energising)

    @property
    def may_reset(self) -> bool:
        due = self.state is State.STOPPED or (
            self.state is State.DE_ENERGISED and self.reset_needed
        )
        return not self.lock_reason and due
