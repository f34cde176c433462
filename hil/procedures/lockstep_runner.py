"""Run a procedure on the simulated rig as fast as it goes, deterministically."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from hil.bench import LockstepBench
from hil.core import PowerOff, Request, Sample, State, Stop
from hil.procedures.procedure import Drop, Operator, Push, no_rows
from hil.procedures.runner import AFTER_TRIP_S, ENABLE_EVERY_S, Runner
from hil.recorder import RunWriter


class LockstepRunner(Runner):
    """Runner of a procedure on the simulated rig, as fast as it goes, deterministically.

    Args:
        bench: simulated rig and cycle.
        writer: takes every row and event, or None.
        tell: takes progress lines.
        operator: a simulated one, for procedures that need a person's hands.
        step: one cycle, the bench's own by default; of several axes, it steps all of them.
    """

    def __init__(
        self,
        bench: LockstepBench,
        writer: RunWriter | None = None,
        tell: Callable[[str], None] = lambda _text: None,
        operator: Operator | None = None,
        step: Callable[[], Sample] | None = None,
    ) -> None:
        super().__init__(tell, operator)
        self._bench = bench
        self._step = step or bench.step
        self._writer = writer
        self._rows: list[Sample] = []
        self._taken_events = 0

    def _send(self, request: Request) -> tuple[bool, str]:
        outcome = self._bench.request(request)
        self._collect()
        return outcome.accepted, outcome.text

    def _pause(self, seconds: float) -> None:
        bench, rows, step_once = self._bench, self._rows, self._step
        enable_every = max(1, round(ENABLE_EVERY_S / bench.period_s))
        for step in range(max(1, round(seconds / bench.period_s))):
            if self._held and step % enable_every == 0:
                self._enable()
            rows.append(step_once())
            if len(bench.events) != self._taken_events:
                self._collect()
                self._raise_if_stopped()

    def _confirm(self, question: str) -> bool:
        return True

    def _hang(self, mass_kg: float) -> bool:
        self._bench.environment.hang(mass_kg)
        return True

    def _drop(self, drop: Drop) -> bool:
        self._bench.environment.drop(drop.mass_kg, drop.height_m)
        return True

    def _push(self, push: Push) -> None:
        self._bench.environment.push(push.force_N, push.frequency_Hz, push.duration_s)

    def _collect(self) -> None:
        fresh = self._bench.events[self._taken_events :]
        self._taken_events = len(self._bench.events)
        self._events.extend(fresh)
        for event in fresh:
            if event["kind"] == "power_removal":
                self._tell(str(event["text"]))
        if self._writer is not None:
            for event in fresh:
                self._writer.event(event)

    def _take_rows(self) -> NDArray[np.float64]:
        if not self._rows:
            return no_rows()
        rows = np.array(self._rows)
        self._rows.clear()
        if self._writer is not None:
            self._writer.rows(rows)
        return rows

    def _power_down(self) -> None:
        if self._bench.last_row.state in (State.STANDBY, State.RUNNING):
            self._send(PowerOff())
        self._settle(0.05)

    def _after_stop(self, trip: bool) -> None:
        self._stop_is_own = True
        self._settle(AFTER_TRIP_S if trip else 0.5)

    def _stop(self, cause: str) -> None:
        self._stop_is_own = True
        self._send(Stop(cause=cause))
        self._settle(0.5)

    def _settle(self, seconds: float) -> None:
        self._pause(seconds)
        self._take_rows()
