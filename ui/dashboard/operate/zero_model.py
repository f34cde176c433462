"""The zero of positions, obtained from the Operate page: stated, or sought while held. No Qt."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from hil.bench import LOST, WHY_OPEN, is_verified
from hil.control import seek_figures
from hil.core import Apply, ConfirmReference, EndCommission, PowerOn, SeekReference, State
from hil.link import Answer
from hil.procedures import clear_to_seek
from ui.dashboard.bench import OperateModel, Session
from ui.dashboard.guided import why_not_ready

HOLD_EVERY_S = 0.04
TOUCHES = 3
HOW = {
    "confirmed": "the output was stated to rest at a known position",
    "mark": "the output was stated to be at the mark",
    "found": "an end was sought and found",
    "home_switch": "the home switch was sought and found",
    "absolute": "the motor sensor is absolute",
    "simulated": "the simulated rig starts on its lower end",
}


class ZeroModel:
    """Origin of zero, and a seek under way.

    The rig host performs the seek; this requests restricted operation, power and the seek, and
    reports that the control is held, for as long as the window's loop turns.

    Attributes:
        choice: what is sought: ``lower``, ``upper`` or ``switch``.
        held: the control is held down.
        text: how the last attempt ended; '' before one.
        wrong: it ended badly.
    """

    def __init__(
        self, model: OperateModel, session: Session | None, runs: Path | None = None
    ) -> None:
        del runs
        self._model, self._session = model, session
        self.profile = model.own_profile
        self.choice = "lower"
        self.held = self.wrong = False
        self.text = ""
        self._step = ""  # envelope, power, seek, end
        self._held_s = 0.0

    @property
    def verified(self) -> bool:
        """True if the force loop may close, or if the bench does not report it."""
        return not self._model.reference or is_verified(self._model.reference)

    @property
    def how(self) -> str:
        """Origin of zero as text, or why the loop stays open."""
        reference = self._model.reference
        if reference in WHY_OPEN:
            # The panel's buttons are the fix.
            why = WHY_OPEN[reference].partition(" Fix:")[0]
            if reference == LOST:
                return f"{why} State where the output is; until then power stays off."
            return f"{why} To seek: {self.clear}."
        return f"Zero of positions: {HOW.get(reference, reference) or 'not known'}."

    @property
    def choices(self) -> list[tuple[str, str]]:
        """Places that may be sought: name and label."""
        known = [("lower", "Lower end"), ("upper", "Upper end")]
        if self.profile.reference.home_switch is not None:
            known.append(("switch", "Home switch"))
        return known

    @property
    def running(self) -> bool:
        return bool(self._step)

    @property
    def moving(self) -> bool:
        """True if the rig is under power for a seek."""
        return self._step in ("power", "seek")

    @property
    def why_not(self) -> str:
        """Why nothing can be begun now, or ''."""
        if self._session is None:
            return "no bench"
        if self._model.reference == "absolute":
            return "the motor sensor is absolute"
        return why_not_ready(self._model)

    def sentence(self, why: str) -> str:
        """Return a reason as a sentence without its full stop."""
        return self._model.sentence(why)

    @property
    def clear(self) -> str:
        """Preparations for a seek."""
        return clear_to_seek(self.profile)

    # ------------------------------------------------------------------ acts

    def state(self, mark: bool) -> None:
        """Report the operator's statement that the output is on its lower end, or at the mark."""
        if self._session is not None and not self.running and not self.why_not:
            self._session.ask(ConfirmReference(mark=mark), self._stated)

    def press(self) -> None:
        """Take in that the control is held, and begin if nothing runs."""
        self.held = True
        if self.running or self.why_not or self._session is None:
            return
        self.text, self.wrong = "", False
        self._step = "envelope"
        self._session.ask(seek_figures(self.profile).envelope, self._restricted)

    def let_go(self) -> None:
        """Take in that the control is released: the rig stops."""
        self.held = False
        if self.running and self._session is not None:
            self._session.hold(False)

    def feed(self, items: Iterable[Any], now_s: float) -> None:
        """Take what the link delivered, and continue. Only these calls keep the control held."""
        if not self.running or self._session is None:
            return
        if self.held and now_s - self._held_s >= HOLD_EVERY_S:
            self._held_s = now_s
            self._session.hold(True)
        for item in items:
            if isinstance(item, Mapping) and self._step == "seek":
                self._hear(item)
        state = self._model.state
        if self._step == "power" and state is State.STANDBY:
            self._step = "seek"
            self._session.ask(Apply(behaviour=self._sought()), self._asked)
        elif self.moving and state is State.STOPPED:
            self._end("Stopped: reset (T), and hold again.", wrong=True)
        elif self._step == "end" and state is State.DE_ENERGISED and not self._model.energising:
            self._step = ""
            self._session.ask(EndCommission())

    # ------------------------------------------------------------------ answers

    def _sought(self) -> SeekReference:
        if self.choice == "switch":
            return SeekReference(by="home_switch", touches=TOUCHES)
        return SeekReference(end="upper" if self.choice == "upper" else "lower", touches=TOUCHES)

    def _hear(self, event: Mapping[str, Any]) -> None:
        if event.get("kind") == "reference_not_found":
            self._end(str(event.get("text", "")), wrong=True)
        elif event.get("kind") == "reference" and "touches_mm" in event:
            self._end(str(event.get("text", "")), wrong=False)

    def _stated(self, answer: Answer) -> None:
        self.text, self.wrong = answer.text, not answer.accepted

    def _restricted(self, answer: Answer) -> None:
        if not answer.accepted or not self.held or self._session is None:
            self._end(answer.text if not answer.accepted else "Released: nothing moved.", True)
            return
        self._session.hold(True)
        self._step = "power"
        # Holding confirms that the travel is clear and no weight hangs.
        self._session.ask(PowerOn(load_supported=True), self._asked)

    def _asked(self, answer: Answer) -> None:
        if not answer.accepted and self.moving:
            self._end(answer.text, wrong=True)

    def _end(self, text: str, wrong: bool) -> None:
        self.text, self.wrong, self._step = text, wrong, "end"
