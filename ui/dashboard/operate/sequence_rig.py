"""The rig as a page performs sequences on it. No Qt."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Protocol

from drivers.simulated import EnvironmentClient
from hil.link import connect_beside
from hil.procedures import Ended, Procedure
from ui.dashboard.bench import Session
from ui.dashboard.guided import PageOperator, PageRunner


class SequenceRun(Protocol):
    """A performance that may be broken off from another thread.

    Attributes:
        why: it was broken off, in words, or ''.
    """

    why: str

    def run(self, procedure: Procedure) -> Ended: ...
    def break_off(self, why: str) -> None: ...


class SequenceRig(Protocol):
    """Rig on which a page performs."""

    def open(
        self, stack: contextlib.ExitStack, tell: Callable[[str], None]
    ) -> tuple[PageOperator, SequenceRun]:
        """Return operator and runner of one performance; ``stack`` closes what they need.

        Raises:
            hil.link.errors.LinkError: the rig host cannot be reached.
        """


class LiveSequenceRig:
    """The rig of the window's session; implements :class:`SequenceRig`.

    A performance has a client of its own beside the window's, and holds control meanwhile.
    """

    def __init__(self, session: Session) -> None:
        self._session = session

    def open(
        self, stack: contextlib.ExitStack, tell: Callable[[str], None]
    ) -> tuple[PageOperator, SequenceRun]:
        client = stack.enter_context(connect_beside(self._session.client, "sequence"))
        environment = None
        endpoint = self._session.model.description.get("environment")
        if endpoint:
            environment = EnvironmentClient(str(endpoint))
            stack.callback(environment.close)
        operator = PageOperator(None, alone=False)
        return operator, PageRunner(client, operator, operator.confirm, tell, environment)
