"""Common base of the runners: drive a procedure, watch for stops, leave the rig without power."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from drivers.base import DriverError
from hil.core import Enable, Request, Reset, Stop
from hil.link import HostGone
from hil.procedures.procedure import (
    Action,
    Ask,
    BenchStopped,
    Choose,
    Confirm,
    Drop,
    Ended,
    ExpectStop,
    Hand,
    Hang,
    Note,
    Operator,
    Pause,
    Procedure,
    ProcedureFailed,
    Push,
    Read,
    Seen,
)

# The recorder also keeps the seconds after a trip: wait for them.
AFTER_TRIP_S = 2.5
ENABLE_EVERY_S = 0.04
T = TypeVar("T")


class Runner:
    """Common base of both runners: drive the generator, watch for stops, end safely."""

    def __init__(self, tell: Callable[[str], None], operator: Operator | None = None) -> None:
        self._tell = tell
        self._operator = operator
        self._held = False  # a hold-to-run stretch is under way
        self._stop_is_own = False
        self._events: list[dict[str, Any]] = []

    def run(self, procedure: Procedure) -> Ended:
        """Run to its end; the rig is without power afterwards, whatever happens."""
        try:
            try:
                action = self._advance(lambda: next(procedure))
                while True:
                    try:
                        seen = self._do(action)
                    except BenchStopped as stop:
                        self._stop_is_own = True
                        stop.seen = self._seen(False, str(stop))
                        action = self._advance(partial(procedure.throw, stop))
                    except ProcedureFailed as failure:
                        # The operator cannot do it: the procedure may continue without.
                        action = self._advance(partial(procedure.throw, failure))
                    else:
                        action = self._advance(partial(procedure.send, seen))
            except StopIteration as end:
                ended = Ended("finished", text="finished", value=end.value)
                self._power_down()
            except BenchStopped as stop:
                ended = Ended("stopped", stop.cause, str(stop))
                self._after_stop(stop.trip)
            except ProcedureFailed as failure:
                ended = Ended("failed", text=str(failure))
                self._stop("procedure failed")
            except KeyboardInterrupt:
                ended = Ended("interrupted", "Operator", "interrupted at the keyboard")
                self._stop("interrupted at the keyboard")
        except (HostGone, DriverError) as error:
            ended = Ended("lost", text=str(error))
        except BaseException:
            self._stop("the procedure failed with an internal error")
            raise
        finally:
            self._close(procedure)
        return ended

    def _do(self, action: Action) -> Seen:
        self._raise_if_stopped()  # while the procedure computed what to do
        accepted, text, value = True, "", math.nan
        if isinstance(action, Ask):
            accepted, text = self._ask(action.request)
        elif isinstance(action, Pause):
            self._pause(action.seconds)
        elif isinstance(action, Confirm):
            accepted = self._confirm(action.question)
        elif isinstance(action, Hang):
            accepted = self._hang(action.mass_kg)
        elif isinstance(action, Drop):
            accepted = self._drop(action)
        elif isinstance(action, Push):
            self._push(action)
        elif isinstance(action, Note):
            self._tell(action.text)
        elif isinstance(action, Hand):
            self._pause(self._wait_for(lambda operator: operator.act(action)))
        elif isinstance(action, Read):
            value = self._wait_for(lambda operator: operator.read(action))
        elif isinstance(action, Choose):
            text = self._wait_for(lambda operator: operator.choose(action))
        elif isinstance(action, ExpectStop):
            self._stop_is_own = True
        else:
            accepted = self._wait_for(lambda operator: operator.hold_to_run(action))
            self._held = action.on and accepted
            if self._held:
                self._enable()
        self._raise_if_stopped()
        return self._seen(accepted, text, value)

    def _seen(self, accepted: bool, text: str, value: float = math.nan) -> Seen:
        events = tuple(self._events)
        self._events.clear()
        return Seen(self._take_rows(), accepted, text, events, value)

    def _enable(self) -> None:
        """Send whether the hold-to-run control is held; called often enough while required."""
        if self._held and self._operator is not None:
            self._send(Enable(held=self._operator.holding))

    def _wait_for(self, answer: Callable[[Operator], T]) -> T:
        """Return the operator's answer; the bench continues meanwhile.

        Raises:
            ProcedureFailed: no operator is available.
        """
        if self._operator is None:
            raise ProcedureFailed("this procedure needs a person at the rig, and none is available")
        return answer(self._operator)

    def _ask(self, request: Request) -> tuple[bool, str]:
        if isinstance(request, Stop):
            self._stop_is_own = True
        accepted, text = self._send(request)
        if isinstance(request, Reset) and accepted:
            self._stop_is_own = False
            # All stops up to here belong to the one that has just been reset.
            self._events = [e for e in self._events if e["kind"] != "stop"]
        return accepted, text

    def _raise_if_stopped(self) -> None:
        if self._stop_is_own:
            return
        for event in self._events:
            if event["kind"] == "stop":
                raise BenchStopped(
                    str(event.get("cause", "")),
                    str(event.get("detail", "")),
                    bool(event.get("trip", True)),
                    int(event.get("code", 0)),
                )

    def _advance(self, go: Callable[[], Action]) -> Action:
        """Let the procedure compute what to do next."""
        return go()

    def _close(self, procedure: Procedure) -> None:
        procedure.close()

    # Each runner's own part.

    def _send(self, request: Request) -> tuple[bool, str]:
        raise NotImplementedError

    def _pause(self, seconds: float) -> None:
        raise NotImplementedError

    def _confirm(self, question: str) -> bool:
        raise NotImplementedError

    def _hang(self, mass_kg: float) -> bool:
        raise NotImplementedError

    def _drop(self, drop: Drop) -> bool:
        raise NotImplementedError

    def _push(self, push: Push) -> None:
        raise NotImplementedError

    def _take_rows(self) -> NDArray[np.float64]:
        raise NotImplementedError

    def _power_down(self) -> None:
        raise NotImplementedError

    def _after_stop(self, trip: bool) -> None:
        raise NotImplementedError

    def _stop(self, cause: str) -> None:
        raise NotImplementedError
