"""Run a declared dialogue without waiting: one step per cycle."""

from __future__ import annotations

import enum
from collections.abc import Callable

from drivers.declared.common.board import Board, SequenceStep, Status


class Progress(enum.Enum):
    IDLE = enum.auto()
    RUNNING = enum.auto()
    DONE = enum.auto()
    FAILED = enum.auto()


class Dialogue:
    """Runner of one sequence at a time; a new one replaces the old.

    Attributes:
        name: name of the sequence that runs or ran last.
        reason: reason of the last failure, naming its step.
    """

    def __init__(self, board: Board, status: Status | None) -> None:
        self._board = board
        self._status = status
        self._steps: tuple[SequenceStep, ...] = ()
        self._next = 0
        self._sent_s: float | None = None
        self.name = ""
        self.reason = ""
        self.progress = Progress.IDLE

    def start(self, name: str, steps: tuple[SequenceStep, ...]) -> None:
        """Begin; the first step is sent with the next ``look``."""
        self.name, self._steps = name, steps
        self._next = 0
        self._sent_s = None
        self.reason = ""
        self.progress = Progress.RUNNING

    def cancel(self) -> None:
        self.progress = Progress.IDLE

    def look(self, now_s: float) -> Progress:
        """Continue as far as possible now. Raises ``DriverError`` if the wire was lost."""
        while self.progress is Progress.RUNNING:
            if self._next >= len(self._steps):
                self.progress = Progress.DONE
                break
            step = self._steps[self._next]
            if self._sent_s is None:
                for name in step.expect:
                    self._board.forget(name)
                if step.send is not None:
                    self._board.send(step.send, step.values)
                self._sent_s = now_s
            missing = [name for name, value in step.expect.items() if not self._met(name, value)]
            if not missing:
                self._next += 1
                self._sent_s = None
            elif now_s - self._sent_s > step.within:
                self.progress = Progress.FAILED
                what = f"'{step.send}'" if step.send else "nothing sent"
                self.reason = (
                    f"sequence {self.name}, step {self._next + 1} ({what}): no "
                    f"{' and no '.join(missing)} as expected within {1e3 * step.within:g} ms"
                )
            else:
                break
        return self.progress

    def run_through(self, name: str, steps: tuple[SequenceStep, ...]) -> None:
        """Send every step at once without waiting, to remove power."""
        self.start(name, steps)
        self.progress = Progress.DONE
        for step in steps:
            if step.send is not None:
                self._board.send(step.send, step.values)

    def run_blocking(
        self, name: str, steps: tuple[SequenceStep, ...], poll: Callable[[], float]
    ) -> str:
        """Run it outside the cycle and return the reason of a failure, or an empty text.

        ``poll`` takes received data and returns the time.
        """
        self.start(name, steps)
        while self.look(poll()) is Progress.RUNNING:
            pass
        return self.reason

    def _met(self, name: str, wanted: float | bool) -> bool:
        status = self._status
        if name in ("energised", "fault") and status is not None:
            sample = self._board.values["status"]
            state = status.energised if name == "energised" else status.fault
            return (
                sample.number > 0
                and state is not None
                and (state.met(int(sample.value)) == bool(wanted))
            )
        return self._board.met(name, float(wanted))
