"""Procedures: generators that yield what to do and receive what was seen.

A procedure knows neither clock nor link, so the same object runs on hardware and on the
simulated rig in real time (``hil.live_runner``) and faster than real time
(``hil.lockstep_runner``). Whatever ends it, the runner leaves the rig without power.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.base import DriverError
from hil.link.errors import HostGone
from hil.requests import Request, Reset, Stop
from hil.samples import COLUMNS, INDEX, State

# The recorder keeps the seconds after a trip as well: stay for them.
AFTER_TRIP_S = 2.5
STATE = INDEX["state"]


@dataclass(frozen=True)
class Ask:
    """Send one request to the rig host; ``Seen`` says whether it was taken."""

    request: Request


@dataclass(frozen=True)
class Pause:
    """Let this many seconds of rig time pass."""

    seconds: float


@dataclass(frozen=True)
class Confirm:
    """Ask the person at the rig; on a simulated rig the answer is yes."""

    question: str


@dataclass(frozen=True)
class Hang:
    """Hang this mass in place of what hangs there, 0 takes it off."""

    mass_kg: float


@dataclass(frozen=True)
class Push:
    """A hand at the load point, see ``Surroundings.push``; ends by itself after duration_s."""

    force_N: float
    frequency_Hz: float = 0.0
    duration_s: float = 0.0


@dataclass(frozen=True)
class Note:
    """Tell the person who watches."""

    text: str


Action = Ask | Pause | Confirm | Hang | Push | Note


def no_rows() -> NDArray[np.float64]:
    return np.empty((0, len(COLUMNS)))


@dataclass(frozen=True)
class Seen:
    """What came back: rows (n, len(COLUMNS)) and events since the last action."""

    rows: NDArray[np.float64] = field(default_factory=no_rows)
    accepted: bool = True
    text: str = ""
    events: tuple[dict[str, Any], ...] = ()


Procedure = Generator[Action, Seen, Any]


class ProcedureFailed(Exception):
    """Raised by a procedure that cannot go on; the text says why and what to do."""


@dataclass(frozen=True)
class Ended:
    """How a procedure ended.

    Attributes:
        how: ``finished``; ``stopped`` by a stop it had not asked for; ``failed`` by a refusal
            or an answer of no; ``interrupted`` from outside; ``lost`` the rig host.
        cause: label of the stop's cause, or empty.
        text: one sentence.
        value: what a finished procedure returned.
    """

    how: Literal["finished", "stopped", "failed", "interrupted", "lost"]
    cause: str = ""
    text: str = ""
    value: Any = None


class SurroundingsLike(Protocol):
    """Weights and hand of a simulated rig, in this process or behind its side door."""

    def hang(self, mass_kg: float) -> None: ...
    def push(
        self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0
    ) -> None: ...


class BenchStopped(Exception):
    """The bench entered Stopped and the procedure had not asked for it."""

    def __init__(self, cause: str, detail: str, trip: bool) -> None:
        super().__init__(detail)
        self.cause = cause
        self.trip = trip


class Runner:
    """What both runners share: drive the generator, watch for stops, end safely."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._stop_is_own = False
        self._events: list[dict[str, Any]] = []

    def run(self, procedure: Procedure) -> Ended:
        """Run to its end; the rig is without power afterwards, whatever happened."""
        try:
            try:
                seen = Seen()
                action = next(procedure)
                while True:
                    seen = self._do(action)
                    action = procedure.send(seen)
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
            self._stop("the procedure met an error of its own")
            raise
        finally:
            procedure.close()
        return ended

    def _do(self, action: Action) -> Seen:
        accepted, text = True, ""
        if isinstance(action, Ask):
            accepted, text = self._ask(action.request)
        elif isinstance(action, Pause):
            self._pause(action.seconds)
        elif isinstance(action, Confirm):
            accepted = self._confirm(action.question)
        elif isinstance(action, Hang):
            accepted = self._hang(action.mass_kg)
        elif isinstance(action, Push):
            self._push(action)
        elif isinstance(action, Note):
            self._tell(action.text)
        self._raise_if_stopped()
        events = tuple(self._events)
        self._events.clear()
        return Seen(self._take_rows(), accepted, text, events)

    def _ask(self, request: Request) -> tuple[bool, str]:
        if isinstance(request, Stop):
            self._stop_is_own = True
        accepted, text = self._send(request)
        if isinstance(request, Reset) and accepted:
            self._stop_is_own = False
            # Stops up to here were the one that has just been reset.
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
                )

    # Each runner's own part.

    def _send(self, request: Request) -> tuple[bool, str]:
        raise NotImplementedError

    def _pause(self, seconds: float) -> None:
        raise NotImplementedError

    def _confirm(self, question: str) -> bool:
        raise NotImplementedError

    def _hang(self, mass_kg: float) -> bool:
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


def column(rows: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    """One column of sample rows by its name."""
    values: NDArray[np.float64] = rows[:, INDEX[name]]
    return values


def wait_for_state(state: State, timeout_s: float = 3.0) -> Generator[Action, Seen, None]:
    """Part of a procedure: wait until the bench is in ``state``.

    Raises:
        ProcedureFailed: it did not come in time.
    """
    waited = 0.0
    while waited < timeout_s:
        seen = yield Pause(0.02)
        waited += 0.02
        if len(seen.rows) and seen.rows[-1, STATE] == state:
            return
    raise ProcedureFailed(
        f"the bench did not reach '{state.name.lower()}' within {timeout_s:g} s; "
        "see the last notice of the rig host"
    )


def asked(requests: Iterable[Request]) -> Generator[Action, Seen, None]:
    """Part of a procedure: send requests in order.

    Raises:
        ProcedureFailed: one is refused, with the host's reason.
    """
    for request in requests:
        seen = yield Ask(request)
        if not seen.accepted:
            raise ProcedureFailed(f"{request.kind.replace('_', ' ')} was refused: {seen.text}")
