"""A session of the window over a lockstep bench, which answers at once and without a link."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.bench import LockstepBench
from hil.core import Enable, Request, Stop
from hil.link import Answer
from ui.dashboard.bench import OperateModel, Session


@dataclass
class Rows:
    """Samples, as the window receives them."""

    rows: NDArray[np.float64]


class LockstepSession(Session):
    """Session with a lockstep bench.

    Attributes:
        asked: every request, in order.
        held: every report of the hold-to-run control, in order.
        stops: number of stops sent.
    """

    def __init__(self, bench: LockstepBench, model: OperateModel) -> None:
        # The base's constructor is skipped, because it needs a link: set only what the window
        # reads.
        self.bench, self.model, self.load, self.profile_file = bench, model, None, None
        self.on_accepted = []
        self.asked: list[Request] = []
        self.held: list[bool] = []
        self.stops = 0
        self._told = 0

    def ask(self, request: Request, then: Callable[[Answer], None] | None = None) -> int:
        self.asked.append(request)
        outcome = self.bench.request(request)
        if then is not None:
            then(Answer(len(self.asked), outcome.accepted, outcome.text))
        return len(self.asked)

    def hold(self, held: bool) -> None:
        self.held.append(held)
        self.bench.request(Enable(held=held))

    def stop(self) -> None:
        self.stops += 1
        self.bench.request(Stop())

    def pump(self) -> None:
        """Do nothing: a test calls ``run``."""

    def heartbeat(self) -> None:
        """Do nothing: a lockstep bench does not monitor heartbeats."""

    def run(self, seconds: float) -> list[Any]:
        """Run the bench; return its events and samples as the link delivers them."""
        rows = np.array(self.bench.run(seconds))
        events = self.bench.events[self._told :]
        self._told = len(self.bench.events)
        return [*events, Rows(rows)]
