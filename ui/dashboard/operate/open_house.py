"""Open house: the window locked for visitors, who choose among presets and may stop. No Qt.

An attendant arms it, confirms that the load is supported and switches power on; then it locks. The rig
does only what the rig host permits under a session cap that is requested first; a behaviour that would
not hold the load is never confirmed. After a stop an attendant is needed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from hil.control import passive_bounds
from hil.core import Apply, Behaviour, Float, HoldPosition, PowerOff, SessionCap, State, Waveform
from hil.link import Answer
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.operate.presets import Preset, Presets
from ui.manual.key_table import unlock_problem

# All of them common practice, no source.
CAP_SHARE = 0.25  # of the profile's own force and speed
IDLE_S = 60.0  # without a choice, until the rig comes to rest
ATTRACT_AFTER_S = 30.0  # of rest
LONGEST_PAUSE_S = 3.0  # between two letters that unlock
ATTRACT_SHARE = 0.5  # of the cap: what the attract loop may use of force and speed
ATTRACT_M = (0.005, 0.004, 0.003, 0.002)  # the largest that has room
ATTRACT_HZ, ATTRACT_S = 0.2, 600.0
TOUCHED_N = 5.0  # beyond what the attract loop itself makes
REST_DAMPING = 0.3  # of the most that the profile permits
REST_SPEED_M_S = 0.01


class OpenHouse:
    """State of the mode, and its requests to the bench.

    Attributes:
        phase: ``off``, ``armed`` (it locks once power is on), ``asked`` (cap requested), ``open``.
        attract: the attendant has enabled the attract loop.
        text: text for the person at the window; ``wrong`` if something was refused.
        doing: name of the active behaviour, as visitors see it.
    """

    def __init__(self, model: OperateModel, session: Session | None, presets: Presets) -> None:
        self._model, self._session, self._presets = model, session, presets
        self.phase = "off"
        self.not_here = ""  # why this window has no open house, '' if it has
        self.attract = self.wrong = False
        self.text = self.doing = ""
        self._letters = self._typed = ""
        self._typed_s = self._input_s = self._now_s = 0.0
        self._resting = self._attracting = False
        self._first_N = self._swing_N = 0.0

    @property
    def locked(self) -> bool:
        return self.phase == "open"

    @property
    def choices(self) -> dict[int, Preset]:
        """Presets that visitors choose from, by the digit of their key."""
        return dict(sorted(self._presets.kept.items()))

    @property
    def may_choose(self) -> bool:
        return self.locked and self._model.powered and self._model.link_well

    @property
    def left_s(self) -> float:
        """Time until the rig comes to rest by itself; NaN while it rests."""
        if not self.may_choose or self._resting or self._model.state is not State.RUNNING:
            return math.nan
        return max(0.0, self._input_s + IDLE_S - self._now_s)

    # ------------------------------------------------------------------ the attendant

    def arm(self, letters: str, attract: bool = False) -> bool:
        """Lock as soon as power is on; return True if armed, else ``text`` says why not.

        Args:
            letters: unlock it when typed; a sequence of 4 to 12 letters.
            attract: move a little, within half of the cap, while no one is there.
        """
        problem = self.not_here or unlock_problem(letters)
        if not problem and not self.choices:
            problem = "save at least one preset first (Ins): visitors choose among them"
        self.wrong = bool(problem)
        if problem:
            self.text = f"Not begun: {problem}"
            return False
        self.phase, self.attract = "armed", attract
        self._letters, self._typed = letters.lower(), ""
        self.text = "Open house begins when power is on."
        return True

    def disarm(self) -> None:
        """Disarm it, before it has locked."""
        if not self.locked:
            self.phase, self.text, self.wrong = "off", "", False

    def type(self, text: str, now_s: float) -> bool:
        """Take a key; return True if it completes the sequence, which unlocks."""
        if now_s - self._typed_s > LONGEST_PAUSE_S:
            self._typed = ""
        self._typed_s = now_s
        self._typed = (self._typed + text.lower())[-len(self._letters) :] if text else ""
        if not self.locked or self._typed != self._letters:
            return False
        self.phase = "off"
        self._typed = ""
        self.text = "Open house has ended; its session cap stays until it is widened without power."
        return True

    # ------------------------------------------------------------------ visitors

    def choose(self, slot: int) -> None:
        """Apply a preset as it is; the load may not move to an end."""
        preset = self.choices.get(slot)
        if preset is None or not self.may_choose:
            return
        self._input_s = self._now_s
        self._resting = self._attracting = False
        self._apply(preset.behaviour, preset.name)

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Advance; called with what the link delivered."""
        del items
        self._now_s = now_s
        model = self._model
        if self.phase == "armed" and model.in_control and model.powered:
            self._ask_cap()
        if not self.locked:
            return
        if model.state is not State.RUNNING:
            self.doing = ""
            self._resting = self._attracting = False
            return
        idle_s = now_s - self._input_s
        if (not self._resting and idle_s > IDLE_S) or (self._attracting and self._touched()):
            self._rest()
        elif (
            self.attract
            and self._resting
            and not self._attracting
            and idle_s > IDLE_S + ATTRACT_AFTER_S
        ):
            self._begin_attract()

    # ------------------------------------------------------------------ inside

    def _ask_cap(self) -> None:
        if self._session is None:
            return
        own, now = self._model.own_profile.limits, self._model.profile.limits
        cap = SessionCap(
            force_N=min(CAP_SHARE * own.force.limited, now.force.limited),
            speed_m_s=min(CAP_SHARE * own.speed.limited, now.speed.limited),
        )
        self.phase = "asked"
        self._session.ask(cap, self._capped)

    def _capped(self, answer: Answer) -> None:
        if self.phase != "asked":
            return
        if not answer.accepted:
            self.phase, self.wrong = "off", True
            self.text = f"Not begun: {answer.text}"
            return
        self.phase, self.wrong, self.text = "open", False, ""
        self._input_s = self._now_s
        self._resting = self._attracting = False
        self.doing = ""

    def _apply(self, behaviour: Behaviour, name: str, refused: Any = None) -> None:
        if self._session is None:
            return

        def answered(answer: Answer) -> None:
            if answer.accepted:
                self.doing, self.text, self.wrong = name, "", False
            elif refused is not None:
                refused()
            else:
                self.text, self.wrong = f"{name}: not now. {answer.text.partition('. ')[0]}.", True

        self._session.ask(Apply(behaviour=behaviour), answered)

    def _rest(self) -> None:
        """Come to rest: follow the hand; if that would drop the load, hold it; else power off."""
        self._resting, self._attracting = True, False
        self._input_s = self._now_s - IDLE_S
        profile = self._model.profile
        travel = profile.limits.travel
        position = min(max(self._model.figure("output_position_m"), travel.lower), travel.upper)
        speed = min(REST_SPEED_M_S, profile.limits.speed.limited)
        hold = HoldPosition(position_m=position, speed_m_s=speed)
        self._apply(
            Float(damping_N_s_m=REST_DAMPING * profile.limits.damping),
            "at rest",
            lambda: self._apply(hold, "at rest", self._power_off),
        )

    def _power_off(self) -> None:
        if self._session is not None:
            self._session.ask(PowerOff())

    def attract_behaviour(self) -> Behaviour | None:
        """Return a small slow swing of a soft spring within half of the cap; None without room."""
        model = self._model
        limits = model.profile.limits
        position, force = model.figure("output_position_m"), model.figure("spring_force_N")
        spare = ATTRACT_SHARE * limits.force.limited - abs(force)
        stiffest = CAP_SHARE * passive_bounds(model.profile)[0]
        stiffest = min(stiffest, model.cap.stiffness_N_m or math.inf)
        for swing in ATTRACT_M:
            # Held against a hand, the spring is stretched by twice the swing at most.
            stiffness = min(stiffest, spare / (2.0 * swing))
            if not stiffness > 0.0:
                return None
            rest = position + force / stiffness
            if limits.travel.lower < rest - swing and rest + swing < limits.travel.upper:
                break
        else:
            return None
        most_Hz = ATTRACT_SHARE * limits.speed.limited / (2.0 * math.pi * swing)
        self._first_N, self._swing_N = force, stiffness * swing
        return Waveform(
            shape="sine",
            of="rest",
            offset=rest,
            amplitude=swing,
            frequency_Hz=min(ATTRACT_HZ, most_Hz),
            duration_s=ATTRACT_S,
            stiffness_N_m=stiffness,
            damping_N_s_m=REST_DAMPING * limits.damping,
        )

    def _begin_attract(self) -> None:
        self._input_s = self._now_s - IDLE_S  # retried after the same time if there is no room
        behaviour = self.attract_behaviour()
        if behaviour is not None:
            self._attracting = True
            self._apply(behaviour, "come and try", self._rest)

    def _touched(self) -> bool:
        """Return True if a hand is on it (more force than the swing makes), or it has ended."""
        if self._now_s - self._input_s - IDLE_S > ATTRACT_S:
            return True
        change = abs(self._model.figure("spring_force_N") - self._first_N)
        return not change <= self._swing_N + TOUCHED_N
