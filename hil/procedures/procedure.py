"""Procedures: generators that yield actions and receive observations.

A procedure uses neither clock nor link, so the same object runs on hardware and on the
simulated rig in real time (``hil.procedures.live_runner``) and faster than real time
(``hil.procedures.lockstep_runner``). However it ends, the runner leaves the rig without power.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.motion import in_words, unit_name
from hil.core import COLUMNS, INDEX, Request, State

STATE = INDEX["state"]
RESTING_S = 0.35  # the bench judges the mean over 0.3 s
RESTING_M_S = 0.0002  # and treats 2 mm/s as motion


@dataclass(frozen=True)
class Ask:
    """Send one request to the rig host; ``Seen`` states whether it was accepted."""

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
    """Hang this mass in place of the present weight; 0 takes it off."""

    mass_kg: float


@dataclass(frozen=True)
class Drop:
    """Let this mass, tied to the load point, fall freely so far before it pulls at it.

    Whoever prepared it stands clear; only the prop is pulled away.
    """

    mass_kg: float
    height_m: float

    @property
    def words(self) -> str:
        """Instruction to a person."""
        return (
            f"Stand clear, nobody and no hand or foot below. Pull the prop away from the side: "
            f"{self.mass_kg:g} kg fall {1e3 * self.height_m:.0f} mm. Leave them hanging."
        )


@dataclass(frozen=True)
class Push:
    """A push by hand at the load point, see ``Environment.push``; ends by itself after duration_s."""

    force_N: float
    frequency_Hz: float = 0.0
    duration_s: float = 0.0


@dataclass(frozen=True)
class Note:
    """Show a text to the operator."""

    text: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", in_words(self.text))


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
    """A manual action at the rig, with its instruction; a simulated rig has its own hands."""

    act: Act
    instruction: str
    amount: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "instruction", in_words(self.instruction))


@dataclass(frozen=True)
class Read:
    """A number that a person reads off an instrument; it comes back as ``Seen.value`` in SI.

    ``cell_N`` is the force on the rod by a reference load cell, + where the rod presses on it.
    ``balance_N`` is the reading of a spring balance at the load point that keeps the output in
    place, + where it pulls in the direction of extension. ``winding_ohm`` is the four-wire
    resistance between two terminals of the motor, with the power off.
    """

    question: str
    quantity: Literal["nut_position_m", "output_position_m", "balance_N", "cell_N", "winding_ohm"]
    unit: str = "mm"  # of a linear actuator

    @property
    def shown_unit(self) -> str:
        """Unit of a bare number; a balance and an ohmmeter know nothing of the actuator."""
        return unit_name(self.unit) if self.along else self.unit

    @property
    def dimension(self) -> str:
        """SI unit of the number."""
        return self.quantity.rpartition("_")[2]

    @property
    def along(self) -> bool:
        """True if the number is along the motion of the output."""
        return self.quantity in ("nut_position_m", "output_position_m", "cell_N")


@dataclass(frozen=True)
class Choose:
    """A question with a few answers; the chosen one comes back as ``Seen.text``."""

    question: str
    about: str  # keyword by which a simulated operator finds the answer
    options: tuple[str, ...]


@dataclass(frozen=True)
class ExpectStop:
    """Treat the next stop as the procedure's own: another axis requests it, and it stops all."""


@dataclass(frozen=True)
class RequireHoldToRun:
    """Begin or end a phase in which the operator holds the hold-to-run control."""

    on: bool
    text: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "text", in_words(self.text))


Action = (
    Ask
    | Pause
    | Confirm
    | Hang
    | Drop
    | Push
    | Note
    | Hand
    | Read
    | Choose
    | ExpectStop
    | RequireHoldToRun
)


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
    """Raised by a procedure that cannot continue; the text says why and what to do."""


@dataclass(frozen=True)
class Ended:
    """End of a procedure.

    Attributes:
        how: ``finished``; ``stopped`` by a stop it had not requested; ``failed`` by a refusal
            or a negative answer; ``interrupted`` from outside; ``lost`` the rig host.
        cause: label of the stop's cause, or empty.
        text: one sentence.
        value: return value of a finished procedure.
    """

    how: Literal["finished", "stopped", "failed", "interrupted", "lost"]
    cause: str = ""
    text: str = ""
    value: Any = None


class EnvironmentLike(Protocol):
    """Weights and pushes of a simulated rig, in this process or behind its simulation control."""

    def hang(self, mass_kg: float) -> None: ...
    def drop(self, mass_kg: float, height_m: float) -> None: ...
    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None: ...


class Operator(Protocol):
    """The person at the rig. Each call may take as long as a person takes."""

    @property
    def holding(self) -> bool:
        """True if the hold-to-run control is held at this moment."""

    def act(self, hand: Hand) -> float:
        """Do it; return for how many more seconds the rig is to be watched.

        Raises:
            ProcedureFailed: it cannot be done, or the operator refuses.
        """

    def read(self, question: Read) -> float:
        """Return the number in SI, NaN if it cannot be read."""

    def choose(self, question: Choose) -> str:
        """Return one of the options, or an empty text."""

    def hold_to_run(self, wanted: RequireHoldToRun) -> bool:
        """Hold the hold-to-run control from now on, or release it; return False to refuse."""


class BenchStopped(Exception):
    """The bench entered Stopped and the procedure had not requested it.

    It is thrown into the procedure, which may treat it as a finding and continue (``seen`` holds
    the rows up to it); a procedure that does not catch it ends. ``code`` is of ``hil.core.limits``.
    """

    def __init__(self, cause: str, detail: str, trip: bool, code: int = 0) -> None:
        super().__init__(detail)
        self.cause, self.code, self.trip = cause, code, trip
        self.seen = Seen()


def column(rows: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    """Return one column of sample rows by its name."""
    values: NDArray[np.float64] = rows[:, INDEX[name]]
    return values


def wait_for_state(state: State, timeout_s: float = 3.0) -> Generator[Action, Seen, None]:
    """Part of a procedure: wait until the bench is in ``state``.

    Raises:
        ProcedureFailed: the state was not reached in time.
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
    """Part of a procedure: wait until nothing sinks any more, at most ``timeout_s``.

    Power is refused while anything moves; the refusal then says so.
    """
    waited, rested = 0.0, 0
    while waited < timeout_s:
        seen = yield Pause(RESTING_S)
        waited += RESTING_S
        if len(seen.rows) < 2:
            continue
        nut, time = column(seen.rows, "nut_position_m"), column(seen.rows, "time_s")
        # Twice in a row: a load that has just been released sinks slowly at first.
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
