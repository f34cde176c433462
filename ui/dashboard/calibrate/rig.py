"""The rig as a page calibrates it: a person who hangs weights, and the runner. No Qt."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, Protocol

from drivers.simulated import EnvironmentClient
from hil.bench import facts_from_dict
from hil.link import connect_beside
from hil.procedures import Ended, Procedure, SimulatedOperator
from hil.profile import rig_parameters
from ui.dashboard.bench import Session
from ui.dashboard.guided import PageOperator, PageRunner, Question


class CalibrateOperator(PageOperator):
    """Asked to hang weights as well.

    Args:
        hang: of a simulated rig, done once the person says so; None on a real one.
    """

    def __init__(
        self, hands: SimulatedOperator | None, alone: bool, hang: Callable[[float], None] | None
    ) -> None:
        super().__init__(hands, alone)
        self._hang = hang

    def hang(self, mass_kg: float) -> bool:
        """Return whether it hangs; waits until the person has answered."""
        text = f"Hang {mass_kg:g} kg." if mass_kg > 0 else "Take all weights off."
        if self._ask(Question("act", text), True) is not True:
            return False
        if self._hang is not None:
            self._hang(mass_kg)
        return True


class PageRun(Protocol):
    """A procedure that runs for a page and may be broken off from another thread.

    Attributes:
        why: it was broken off, in words, or ''.
    """

    why: str

    def run(self, procedure: Procedure) -> Ended: ...
    def break_off(self, why: str) -> None: ...


class PageRig(Protocol):
    """Rig on which a page calibrates.

    Attributes:
        drive: its identity, for the file.
    """

    drive: str

    def open(
        self, stack: contextlib.ExitStack, alone: bool, tell: Callable[[str], None]
    ) -> tuple[CalibrateOperator, PageRun]:
        """Operator and runner for one calibration; ``stack`` closes what they need.

        Raises:
            hil.link.errors.LinkError: the rig host cannot be reached.
        """


class CalibrateRunner(PageRunner):
    """Live; weights are hung by the page's operator."""

    def __init__(self, operator: CalibrateOperator, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._person = operator

    def _hang(self, mass_kg: float) -> bool:
        return bool(self._meanwhile(lambda: self._person.hang(mass_kg)))


class LiveRig:
    """The rig that the window's session is connected to; implements :class:`PageRig`.

    The calibration has a client of its own beside the window's, and holds control meanwhile.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        description = session.model.description
        self.drive = facts_from_dict(description["drive_facts"]).identity

    def open(
        self, stack: contextlib.ExitStack, alone: bool, tell: Callable[[str], None]
    ) -> tuple[CalibrateOperator, PageRun]:
        model = self._session.model
        client = stack.enter_context(connect_beside(self._session.client, "calibrate"))
        hands, hang = None, None
        if model.description.get("environment"):
            control = EnvironmentClient(str(model.description["environment"]))
            stack.callback(control.close)
            hands, hang = SimulatedOperator(control, rig_parameters(model.profile)), control.hang
        operator = CalibrateOperator(hands, alone, hang)
        # The procedure asks for no yes or no but that of a weight.
        return operator, CalibrateRunner(operator, client, operator, lambda _q: False, tell)
