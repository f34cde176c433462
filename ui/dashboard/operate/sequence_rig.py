"""The rig as a page performs sequences on it. No Qt."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Protocol

from hil.link import connect_beside
from hil.procedures import open_environment
from ui.dashboard.bench import Session
from ui.dashboard.guided import PageOperator, PageRun, PageRunner


class SequenceRig(Protocol):
    """Rig on which a page performs."""

    def open(
        self, stack: contextlib.ExitStack, tell: Callable[[str], None]
    ) -> tuple[PageOperator, PageRun]:
        """Return operator and runner of one performance; ``stack`` closes what they need.

        Raises:
            hil.link.errors.LinkError: the rig host cannot be reached.
        """


class LiveSequenceRig:
    """The rig of the window's session; implements :class:`SequenceRig`.

    A performance has its own client next to the window's, which holds control meanwhile.
    """

    def __init__(self, session: Session) -> None:
        self._session = session

    def open(
        self, stack: contextlib.ExitStack, tell: Callable[[str], None]
    ) -> tuple[PageOperator, PageRun]:
        client = stack.enter_context(connect_beside(self._session.client, "sequence"))
        environment = open_environment(stack, self._session.model.description)
        operator = PageOperator(None, alone=False)
        return operator, PageRunner(client, operator, operator.confirm, tell, environment)
