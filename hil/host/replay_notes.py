"""Notes that accompany the recorded wires: data that a replay cannot take from them."""

from __future__ import annotations

from typing import Any

from drivers.capture import WireRecorder
from hil.bench import CONFIRMED, Bench
from hil.core import Request, SessionCap
from hil.supervision import HeatAtStart


class ReplayNotes:
    """Notes of one session; without a recorder of the wires each call does nothing.

    Args:
        wire: recorder of the drive's wires.
        axis: name of the axis among several that share the recorder; '' for a single rig.
    """

    def __init__(self, wire: WireRecorder | None, axis: str = "") -> None:
        self._wire = wire
        self._of: dict[str, Any] = {"axis": axis} if axis else {}

    def cycle(self, periods: int) -> None:
        """Begin a cycle, ``periods`` after the last; 0: the same cycle reads again."""
        if self._wire is not None:
            self._wire.cycle(periods)

    def note(self, note: dict[str, Any]) -> None:
        """Note something about the present cycle."""
        if self._wire is not None:
            self._wire.note(note | self._of)

    def request(self, request: Request, early: bool) -> None:
        """Note a request; ``early``: taken before the cycle's command was computed."""
        if self._wire is not None:
            noted = {"request": request.model_dump(mode="json")}
            self.note(noted | {"early": True} if early else noted)

    def beginning(
        self, bench: Bench, cap: SessionCap | None, warm: HeatAtStart | None, stated: bool
    ) -> None:
        """Note the state that a replay must begin with.

        Args:
            cap: given at the start. warm: heat of the motor to begin with.
            stated: the operator stated that the output rests on its lower end.
        """
        if bench.reduced:
            self.note({"reduced": True})
        if cap is not None:
            self.note({"session_cap": cap.model_dump(mode="json")})
        if warm is not None:
            self.note({"heat": [warm.winding, warm.housing]})
        if stated:
            self.note({"reference": CONFIRMED})
        if bench.kept_offset_m is not None:
            self.note({"kept_offset_m": bench.kept_offset_m})
