"""Pauses of a sequence at safe points, requested from another thread, and its progress."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

from hil.core import INDEX, Apply, HoldPosition, Marker
from hil.procedures import Action, Pause, ProcedureFailed, Seen, send_requests
from hil.sequences.axes_steps import BesideStep
from hil.sequences.sequence_steps import BehaviourStep, HoldPositionStep, PowerOffStep, StopStep

LOOK_S = 0.05


class Pacing:
    """Pauses and steps of one performance; every attribute may be read from any thread.

    Attributes:
        number: number of the present step, from 1; 0 before the first.
        done_s: planned time of the steps before it, in s.
        held: it pauses.
        stepwise: it pauses at every safe point.
    """

    def __init__(self) -> None:
        self.number, self.done_s = 0, 0.0
        self.held = self.stepwise = False
        self._pause_asked = False

    def pause(self) -> None:
        """Pause at the next safe point."""
        self._pause_asked = True

    def go_on(self) -> None:
        """Continue, and withdraw any request for a pause."""
        self.stepwise = self._pause_asked = self.held = False

    def step(self) -> None:
        """Continue to the next safe point, and pause there."""
        self.stepwise, self._pause_asked, self.held = True, False, False

    @property
    def pause_asked(self) -> bool:
        return self._pause_asked or self.stepwise


def is_safe_point(step: Any, powered: bool, acting: Any | None = None) -> bool:
    """Return True if a sequence may pause before ``step``.

    No later step may depend on the previous behaviour: a pause holds the position instead.

    Args:
        acting: step of the active behaviour, None for none. An axis that waits beside another one
            keeps it, so that only a held position may go on.
    """
    if isinstance(step, BesideStep):
        return not powered or acting is None or isinstance(acting, HoldPositionStep)
    return not powered or isinstance(step, BehaviourStep | PowerOffStep | StopStep)


def pause_here(pacing: Pacing, acting: Any | None) -> Generator[Action, Seen, None]:
    """Hold the position, if a behaviour is active, and wait for the signal to continue.

    Args:
        acting: step of the active behaviour, None for none.

    Raises:
        ProcedureFailed: the position cannot be held.
    """
    pacing.held = True
    if acting is not None and not isinstance(acting, HoldPositionStep):
        seen = yield Pause(LOOK_S)
        if not len(seen.rows):
            raise ProcedureFailed("no sample arrived, so the position to hold is not known")
        position = float(seen.rows[-1, INDEX["output_position_m"]])
        yield from send_requests([Apply(behaviour=HoldPosition(position_m=position))])
    yield from send_requests([Marker(text="paused")])
    while pacing.held:
        yield Pause(LOOK_S)
    yield from send_requests([Marker(text="resumed")])
