"""Wait for the drive's power stage after a request for power on or to clear a fault."""

from __future__ import annotations

import enum
from typing import Final

from drivers.base import PowerRequest, PowerStage

# Looked up once: by its class, a member costs several look-ups in each cycle.
_OFF: Final = PowerRequest.OFF

LONGEST_S: Final = {PowerRequest.ON: 2.0, PowerRequest.CLEAR_FAULT: 1.0}
AWAITED: Final = {PowerRequest.ON: PowerStage.ON, PowerRequest.CLEAR_FAULT: PowerStage.OFF}


class Progress(enum.Enum):
    """Outcome of one cycle for the step that is waited for."""

    NONE = enum.auto()
    REACHED = enum.auto()
    TOO_LONG = enum.auto()


class PowerSequence:
    """Wait for the power stage; ``requested`` is the pending request, OFF if none is."""

    def __init__(self) -> None:
        self.requested = _OFF
        self._waited_s = 0.0

    def ask(self, request: PowerRequest) -> None:
        """Start to wait for ``ON`` or ``CLEAR_FAULT``; ``OFF`` ends all waiting."""
        self.requested = request
        self._waited_s = 0.0

    def follow(self, stage: PowerStage, dt_s: float) -> Progress:
        """Wait for one cycle; after ``REACHED`` or ``TOO_LONG`` nothing is waited for."""
        requested = self.requested
        if requested is _OFF:
            return Progress.NONE
        self._waited_s += dt_s
        if stage == AWAITED[requested]:
            self.requested = _OFF
            return Progress.REACHED
        if self._waited_s > LONGEST_S[requested]:
            self.requested = _OFF
            return Progress.TOO_LONG
        return Progress.NONE
