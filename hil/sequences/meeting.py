"""Step boundaries at which the axes of one sequence wait for each other."""

from __future__ import annotations

from collections.abc import Generator, Iterable

from hil.procedures import Action, Pause, ProcedureFailed, Seen

LOOK_S = 0.01  # interval of polling while an axis waits, which keeps its heartbeat alive


class Meeting:
    """Step boundaries of all axes; an axis passes one once every other axis has reached it.

    Each axis writes only its own values, so that each procedure may run in its own thread.
    """

    def __init__(self, axes: Iterable[str]) -> None:
        self.reached = dict.fromkeys(axes, 0)
        self.ended: dict[str, str] = {}
        self.unsafe: set[int] = set()  # boundaries at which an axis must not pause
        self.paused: dict[int, bool] = {}  # decision at a boundary, the same for every axis

    def part_of(self, axis: str) -> MeetingPart:
        """Return the part of one axis."""
        return MeetingPart(self, axis)

    def end(self, axis: str, why: str) -> None:
        """Record that an axis ended early: no other axis waits for it."""
        self.ended.setdefault(axis, why)


class MeetingPart:
    """The part of one axis in the meeting."""

    def __init__(self, meeting: Meeting, axis: str) -> None:
        self._meeting, self.axis = meeting, axis

    def end(self, why: str) -> None:
        """Record that this axis ended early."""
        self._meeting.end(self.axis, why)

    def meet(self, may_pause: bool = False) -> Generator[Action, Seen, None]:
        """Part of a procedure: wait until every axis has reached this step boundary.

        Args:
            may_pause: the boundary is a safe point of this axis, see :meth:`pauses`.

        Raises:
            ProcedureFailed: another axis ended early.
        """
        meeting = self._meeting
        here = meeting.reached[self.axis] + 1
        if not may_pause:
            meeting.unsafe.add(here)
        meeting.reached[self.axis] = here
        while True:
            for axis, why in meeting.ended.items():
                raise ProcedureFailed(f"the axis '{axis}' ended: {why}")
            if min(meeting.reached.values()) >= here:
                return
            yield Pause(LOOK_S)

    def pauses(self, asked: bool) -> bool:
        """Return whether every axis pauses at the boundary that it has just reached.

        The first axis that looks decides for all: a pause requested between two looks would
        hold one axis while another performs its step.

        Args:
            asked: a pause has been requested.
        """
        meeting = self._meeting
        here = meeting.reached[self.axis]
        return meeting.paused.setdefault(here, asked and here not in meeting.unsafe)
