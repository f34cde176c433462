"""A live runner that ends at once if anyone stops the rig or closes the window. No Qt."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from hil.core import Cause, Enable
from hil.link import Client, LinkError
from hil.procedures import Drop, Ended, EnvironmentLike, LiveRunner, Procedure, Push
from hil.sequences import OWN_STOP
from ui.dashboard.guided.page_operator import PageOperator

# Beginnings of the causes of stops that a step requests itself.
OWN_STOPS = ("bring-up:", OWN_STOP)
TAKE_S = 1.0  # for the window to release control
T = TypeVar("T")


class PageRunner(LiveRunner):
    """Runner of a procedure for a page, whose operator also hangs weights.

    An operator's stop ends it, wherever it came from: no step may treat it as a finding.

    Args:
        client: connected, no one else using it.
        operator: the person at the page.
        prompt: asks a person and returns the answer.
        tell: takes progress lines.
        environment: environment of a simulated rig whose hands act without a prompt.
        push: a simulated hand at the load point, see ``drivers.simulated.EnvironmentClient.push``;
            None: the person is prompted to push.

    Attributes:
        why: reason for the abort as text, or ''.
    """

    def __init__(
        self,
        client: Client,
        operator: PageOperator,
        prompt: Callable[[str], bool],
        tell: Callable[[str], None],
        environment: EnvironmentLike | None = None,
        push: Callable[[float, float, float], None] | None = None,
    ) -> None:
        super().__init__(client, environment, prompt, tell, operator)
        self._hand = push
        self.why = ""
        self._page = operator
        self._aborted = threading.Event()
        self._ending = False

    def run(self, procedure: Procedure) -> Ended:
        """Run as in the base class; wait a moment for control, which the window releases."""
        self._await_control()
        try:
            return super().run(procedure)
        except KeyboardInterrupt:  # aborted while it was ending by itself
            return Ended("interrupted", "Operator", self.why)

    def abort(self, why: str) -> None:
        """End soon; from any thread."""
        self.why = self.why or why
        self._aborted.set()

    def tell_let_go(self) -> None:
        """Report that the hold-to-run control is released, without waiting; from any thread."""
        with contextlib.suppress(LinkError):
            self._client.post(Enable(held=False))

    def _await_control(self) -> None:
        for _ in range(round(TAKE_S / 0.05)):
            with contextlib.suppress(LinkError):
                self._client.take_control()
                return
            self._aborted.wait(0.05)

    def _service(self) -> None:
        super()._service()
        self._client.answers()  # to what was posted: of no interest here
        for event in self._events:
            if event["kind"] == "stop" and event.get("code") == Cause.OPERATOR:
                detail = str(event.get("detail", ""))
                if not self._ending and not detail.startswith(OWN_STOPS):
                    self.abort("stopped by the operator")
        if self._aborted.is_set() and not self._ending:
            self._ending = True  # what follows must not be interrupted
            raise KeyboardInterrupt

    def _stop(self, cause: str) -> None:
        self._ending = True  # this stop is our own
        super()._stop(self.why or cause)

    def _hang(self, mass_kg: float) -> bool:
        if self._environment is not None:
            return super()._hang(mass_kg)
        return self._meanwhile(lambda: self._page.hang(mass_kg))

    def _drop(self, drop: Drop) -> bool:
        if self._environment is not None:
            return super()._drop(drop)
        return self._meanwhile(lambda: self._page.drop(drop))

    def _push(self, push: Push) -> None:
        if self._hand is not None:
            self._meanwhile(partial(self._hand, push.force_N, push.frequency_Hz, push.duration_s))
        else:
            super()._push(push)

    def _meanwhile(self, ask: Callable[[], T]) -> T:
        try:
            return super()._meanwhile(ask)
        except BaseException:
            self._page.withdraw()
            raise
