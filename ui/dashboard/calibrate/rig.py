"""The rig as a page calibrates it: a person who hangs weights, and the runner. No Qt."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Protocol

from hil.bench import facts_from_dict
from hil.link import connect_beside
from hil.procedures import open_environment
from ui.dashboard.bench import Session
from ui.dashboard.guided import PageOperator, PageRun, PageRunner, make_operator


class PageRig(Protocol):
    """Rig on which a page calibrates.

    Attributes:
        drive: its identity, for the file.
    """

    drive: str

    def open(
        self, stack: contextlib.ExitStack, alone: bool, tell: Callable[[str], None]
    ) -> tuple[PageOperator, PageRun]:
        """Return operator and runner for one calibration; ``stack`` closes what they need.

        Raises:
            hil.link.errors.LinkError: the rig host cannot be reached.
        """


class LiveRig:
    """The rig that the window's session is connected to; implements :class:`PageRig`.

    The calibration has its own client next to the window's, which holds control meanwhile.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        description = session.model.description
        self.drive = facts_from_dict(description["drive_facts"]).identity

    def open(
        self, stack: contextlib.ExitStack, alone: bool, tell: Callable[[str], None]
    ) -> tuple[PageOperator, PageRun]:
        model = self._session.model
        client = stack.enter_context(connect_beside(self._session.client, "calibrate"))
        environment = open_environment(stack, model.description)
        operator = make_operator(environment, model.profile, alone)
        # The procedure asks for a yes or no only about a weight.
        return operator, PageRunner(client, operator, lambda _q: False, tell)
