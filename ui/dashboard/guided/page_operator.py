"""The person at the rig, prompted and answering through a page. No Qt.

A procedure asks in its own thread and waits; the page shows ``question`` and answers from its main
loop. The hold-to-run control counts as held only while that loop turns: a window that hangs
releases it.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from hil.procedures import (
    Choose,
    Drop,
    Hand,
    ProcedureFailed,
    Read,
    RequireHoldToRun,
    SimulatedOperator,
)

LIVE_S = 0.25  # a loop that draws and shares its processor is late at times; no hand is faster
SHOWN_S = 0.5  # a prompt to simulated hands is shown this long before they act
LETS_GO_S = 20.0
SETTLES_S = 0.5
GONE = "the question was withdrawn"


@dataclass(frozen=True)
class Question:
    """Prompt to the person.

    Attributes:
        kind: ``act`` done or not; ``read`` a number in ``unit``; ``choose`` one of
            ``options``; ``hold`` and ``let_go`` the hold-to-run control; ``confirm`` yes or no,
            while nothing runs.
        dimension: ``m`` or ``N`` of what is read; ``along`` the motion of the output.
        suggestion: value in SI that simulated eyes read; NaN without any.
        picture: picture of the action, a name that :class:`HandPicture` draws; '' for none.
        amount: as the action has it; its sign is the direction.
    """

    kind: Literal["act", "read", "choose", "hold", "let_go", "confirm"]
    text: str
    unit: str = ""
    dimension: str = ""
    options: tuple[str, ...] = ()
    suggestion: float = math.nan
    picture: str = ""
    amount: float = 0.0
    along: bool = False


@dataclass(frozen=True)
class _Reply:
    value: float | str | bool


class PageOperator:
    """Person at a page, as ``hil.procedures.procedure.Operator``.

    Args:
        hands: hands of a simulated rig. They do what is confirmed as done, since no one else can
            touch it; with ``alone`` they also answer and hold.
        hang, drop: actions on a simulated rig, done once the person confirms it; None on a real one.

    Attributes:
        question: what is to be answered now, or None.
        hold_text: why the hold-to-run control is required; '' while it is not.
        alone: simulated hands answer by themselves; may change at any time.
    """

    def __init__(
        self,
        hands: SimulatedOperator | None,
        alone: bool,
        hang: Callable[[float], None] | None = None,
        drop: Callable[[float, float], None] | None = None,
    ) -> None:
        self.question: Question | None = None
        self.hold_text = ""
        self.alone = alone and hands is not None
        self._hands, self._hang, self._drop = hands, hang, drop
        self._changed = threading.Condition()
        self._number = 0
        self._reply: _Reply | None = None
        self._gripped = False
        self._by_hands = False
        self._turned_s = time.monotonic()
        self._doing, self._doing_until_s = "", 0.0

    # -- the page ------------------------------------------------------------------------

    def turn(self) -> None:
        """Note that the page's loop has turned."""
        self._turned_s = time.monotonic()

    def answer(self, question: Question, value: float | str | bool) -> None:
        """Answer ``question``; do nothing if another, or none, is asked by now.

        Args:
            value: SI number (NaN: it cannot be read), option, or for ``act`` and ``hold``
                False, it will not be done; True, it is done.
        """
        with self._changed:
            if self.question is question:
                self._reply = _Reply(value)
                self._changed.notify_all()

    def grip(self) -> None:
        """Take in that the hold-to-run control has been pressed."""
        with self._changed:
            if self.hold_text:  # a press before it is required does not count
                self._gripped = True
                self._changed.notify_all()

    def let_go(self) -> None:
        with self._changed:
            self._gripped = False
            self._changed.notify_all()

    def withdraw(self) -> None:
        """Withdraw the question: no answer is awaited any more."""
        with self._changed:
            self._number += 1
            self.question, self._reply, self._doing = None, None, ""
            self._changed.notify_all()

    @property
    def doing(self) -> str:
        """Action by hand under way, or ''."""
        return self._doing if time.monotonic() < self._doing_until_s else ""

    # -- the procedure -------------------------------------------------------------------

    @property
    def holding(self) -> bool:
        if not self.hold_text:
            return False
        # Simulated hands do not depend on the window.
        return self._by_hands or (self._gripped and time.monotonic() - self._turned_s <= LIVE_S)

    def act(self, hand: Hand) -> float:
        asked = Question("act", hand.instruction, picture=hand.act, amount=hand.amount)
        if self._ask(asked, True) is not True:
            raise ProcedureFailed(f"not done: {hand.instruction}")
        if self._hands is not None:
            lasts_s = self._hands.act(hand)
        else:
            lasts_s = hand.amount if hand.act == "wiggle_cable" else SETTLES_S
        self._doing, self._doing_until_s = hand.instruction, time.monotonic() + lasts_s
        return lasts_s

    def hang(self, mass_kg: float) -> bool:
        """Return True if it hangs; wait until the person has answered."""
        text = f"Hang {mass_kg:g} kg." if mass_kg > 0 else "Take all weights off."
        picture = "hang" if mass_kg > 0 else "take_off"
        if self._ask(Question("act", text, picture=picture, amount=mass_kg), True) is not True:
            return False
        if self._hang is not None:
            self._hang(mass_kg)
        return True

    def drop(self, drop: Drop) -> bool:
        """Return whether it has fallen; waits until the person has answered."""
        asked = Question("act", drop.words, picture="hang", amount=drop.mass_kg)
        if self._ask(asked, True) is not True:
            return False
        if self._drop is not None:
            self._drop(drop.mass_kg, drop.height_m)
        return True

    def read(self, question: Read) -> float:
        seen = self._hands.read(question) if self._hands is not None else math.nan
        asked = Question(
            "read",
            question.question,
            question.shown_unit,
            question.dimension,
            suggestion=seen,
            picture=question.quantity,
            along=question.along,
        )
        return float(self._ask(asked, seen))

    def choose(self, question: Choose) -> str:
        simulated = self._hands.choose(question) if self._hands is not None else ""
        asked = Question("choose", question.question, options=question.options)
        return str(self._ask(asked, simulated))

    def confirm(self, question: str) -> bool:
        return self.choose(Choose(question, "confirm", ("yes", "no"))) == "yes"

    def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
        if not wanted.on:
            return self._released(wanted.text)
        with self._changed:
            self._gripped = self._by_hands = False
            self.hold_text = wanted.text or "The rig is about to move."
        asked = Question("hold", self.hold_text)
        held = self._ask(asked, "simulated", lambda: self._gripped)
        if held is False:
            self.hold_text = ""
            return False
        self._by_hands = held == "simulated"
        return True

    def _released(self, text: str) -> bool:
        if text and self._gripped and self.hold_text:
            self._ask(
                Question("let_go", text), True, lambda: not self._gripped, longest_s=LETS_GO_S
            )
        with self._changed:
            self.hold_text = ""
            self._gripped = self._by_hands = False
        return True

    def _ask(
        self,
        question: Question,
        simulated: float | str | bool,
        until: Callable[[], bool] = lambda: False,
        longest_s: float = math.inf,
    ) -> float | str | bool:
        """Return the answer; True once ``until`` or after ``longest_s``; else the simulated one.

        Raises:
            ProcedureFailed: the question was withdrawn.
        """
        began_s = time.monotonic()
        with self._changed:
            self._number += 1
            mine = self._number
            self.question, self._reply, self._doing = question, None, ""
            try:
                while True:
                    if mine != self._number:
                        raise ProcedureFailed(GONE)
                    waited_s = time.monotonic() - began_s
                    if self._reply is not None:
                        return self._reply.value
                    if until() or waited_s > longest_s:
                        return True
                    if self.alone and waited_s > SHOWN_S:
                        return simulated
                    self._changed.wait(0.05)
            finally:
                if mine == self._number:
                    self.question, self._reply = None, None
