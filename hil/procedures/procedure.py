"""Procedures: generators that yield what to do and receive what was seen.

A procedure knows neither clock nor link, so the same object runs on hardware and on the
simulated rig in real time (``hil.procedures.live_runner``) and faster than real time
(``hil.procedures.lockstep_runner``). Whatever ends it, the runner leaves the rig without power.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from drivers.base import DriverError
from hil.core import COLUMNS, INDEX, Enable, Request, Reset, State, Stop
from hil.link import HostGone

# The recorder keeps the seconds after a trip as well: stay for them.
AFTER_TRIP_S = 2.5
STATE = INDEX["state"]
ENABLE_EVERY_S = 0.04
RESTING_S = 0.35  # the bench looks at the mean of 0.3 s
RESTING_M_S = 0.0002  # and takes 2 mm/s for moving
T = TypeVar("T")


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
    """A hand at the load point, see ``Environment.push``; ends by itself after duration_s."""

    force_N: float
    frequency_Hz: float = 0.0
    duration_s: float = 0.0


@dataclass(frozen=True)
class Note:
    """Tell the person who watches."""

    text: str


Act = Literal[
    "turn_screw",  # by ``amount`` turns; + extends the nut of a right-hand screw
    "hold_screw",  # or clamp it, so that the nut stays
    "let_screw_go",
    "push_load",  # ``amount`` N at the load point with a spring balance, + extends the rod
    "let_load_go",
    "hold_output",
    "let_output_go",
    "wiggle_cable",  # of the deflection sensor, for ``amount`` s
    "press_stop",  # the hard-wired emergency stop
    "release_stop",
    "support_load",  # so that no weight acts on the rod
    "free_load",
]


@dataclass(frozen=True)
class Hand:
    """Something done by hand at the rig, told in words; a simulated rig has hands of its own."""

    act: Act
    instruction: str
    amount: float = 0.0


@dataclass(frozen=True)
class Read:
    """A number that a person reads off a measure; comes back as ``Seen.value`` in SI.

    ``cell_N`` is the force on the rod by a reference load cell, + where the rod presses on it.
    ``balance_N`` is what a spring balance at the load point shows that keeps the output
    where it is, + where it pulls in the sense of extension. ``winding_ohm`` is the resistance
    between two terminals of the motor, by four wires, the power off.
    """

    question: str
    quantity: Literal["nut_position_m", "output_position_m", "balance_N", "cell_N", "winding_ohm"]
    unit: str = "mm"

    @property
    def dimension(self) -> str:
        """SI unit of the number."""
        return self.quantity.rpartition("_")[2]


@dataclass(frozen=True)
class Choose:
    """A question with a few answers; the one chosen comes back as ``Seen.text``."""

    question: str
    about: str  # a word that a simulated operator knows the answer to
    options: tuple[str, ...]


@dataclass(frozen=True)
class RequireHoldToRun:
    """Begin, or end, a stretch in which the person holds the hold-to-run control."""

    on: bool
    text: str = ""


Action = Ask | Pause | Confirm | Hang | Push | Note | Hand | Read | Choose | RequireHoldToRun


def no_rows() -> NDArray[np.float64]:
    return np.empty((0, len(COLUMNS)))


@dataclass(frozen=True)
class Seen:
    """Outcome of an action: rows (n, len(COLUMNS)) and events since the last action."""

    rows: NDArray[np.float64] = field(default_factory=no_rows)
    accepted: bool = True
    text: str = ""
    events: tuple[dict[str, Any], ...] = ()
    value: float = math.nan


Procedure = Generator[Action, Seen, Any]


class ProcedureFailed(Exception):
    """Raised by a procedure that cannot go on; the text says why and what to do."""


@dataclass(frozen=True)
class Ended:
    """End of a procedure.

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


class EnvironmentLike(Protocol):
    """Weights and hand of a simulated rig, in this process or behind its simulation control."""

    def hang(self, mass_kg: float) -> None: ...
    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None: ...


class Operator(Protocol):
    """The person at the rig. Each call may take as long as a person takes."""

    @property
    def holding(self) -> bool:
        """True if the hold-to-run control is held at this moment."""

    def act(self, hand: Hand) -> float:
        """Do it; returns for how many more seconds the rig is to be watched.

        Raises:
            ProcedureFailed: it cannot be done, or is not going to be.
        """

    def read(self, question: Read) -> float:
        """The number in SI, NaN if it cannot be told."""

    def choose(self, question: Choose) -> str:
        """One of the options, or an empty text."""

    def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
        """The hold-to-run control is wanted from here on, or no longer; False: not now."""


class BenchStopped(Exception):
    """The bench entered Stopped and the procedure had not asked for it.

    It is thrown into the procedure, which may take it for a finding and go on (``seen`` holds
    the rows up to it); a procedure that lets it pass ends. ``code`` is of ``hil.core.limits``.
    """

    def __init__(self, cause: str, detail: str, trip: bool, code: int = 0) -> None:
        super().__init__(detail)
        self.cause, self.code, self.trip = cause, code, trip
        self.seen = Seen()


class Runner:
    """Common base of both runners: drive the generator, watch for stops, end safely."""

    def __init__(self, tell: Callable[[str], None], operator: Operator | None = None) -> None:
        self._tell = tell
        self._operator = operator
        self._held = False  # a hold-to-run stretch is under way
        self._stop_is_own = False
        self._events: list[dict[str, Any]] = []

    def run(self, procedure: Procedure) -> Ended:
        """Run to its end; the rig is without power afterwards, whatever happened."""
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
                        # The person cannot do it: the procedure may go on without.
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
            self._stop("the procedure met an error of its own")
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
        """Pass on whether the hold-to-run control is held; often enough, while it is wanted."""
        if self._held and self._operator is not None:
            self._send(Enable(held=self._operator.holding))

    def _wait_for(self, answer: Callable[[Operator], T]) -> T:
        """Return the operator's answer; the bench goes on meanwhile.

        Raises:
            ProcedureFailed: there is nobody to ask.
        """
        if self._operator is None:
            raise ProcedureFailed("this procedure needs a person at the rig, and none is there")
        return answer(self._operator)

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


def wait_until_resting(timeout_s: float = 15.0) -> Generator[Action, Seen, None]:
    """Part of a procedure: wait until nothing sinks any more, at most so long.

    Power is refused to what still moves; the refusal then says so.
    """
    waited, rested = 0.0, 0
    while waited < timeout_s:
        seen = yield Pause(RESTING_S)
        waited += RESTING_S
        if len(seen.rows) < 2:
            continue
        nut, time = column(seen.rows, "nut_position_m"), column(seen.rows, "time_s")
        # Twice in a row: what has just been let go sinks slowly at first.
        rested = rested + 1 if abs(nut[-1] - nut[0]) < RESTING_M_S * (time[-1] - time[0]) else 0
        if rested == 2:
            return


def send_requests(requests: Iterable[Request]) -> Generator[Action, Seen, None]:
    """Part of a procedure: send requests in order.

    Raises:
        ProcedureFailed: one is refused, with the host's reason.
    """
    for request in requests:
        seen = yield Ask(request)
        if not seen.accepted:
            raise ProcedureFailed(f"{request.kind.replace('_', ' ')} was refused: {seen.text}")
