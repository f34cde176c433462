"""Interface of every kind of described board to its drive."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Protocol

from pydantic import BeforeValidator, Field, model_validator

from drivers.quantities import Duration, Torque, TorqueConstant
from drivers.transport import TAKEN_UNITS, Part, Scaling
from drivers.transport import InputMap as InputName
from drivers.transport import OutputMap as OutputName

NEVER = -1e18
TORQUE_OFFSET = "torque_offset"
# The first of these given by a board sets its pace: one sample of it per cycle.
PACE = ("position", "deflection", "velocity", "torque", "current")


def commanded(takes: Collection[str]) -> tuple[str, ...]:
    """Return the commands that a board follows, without the torque that it adds."""
    return tuple(str(name) for name in takes if name != TORQUE_OFFSET)


class Sample:
    """Latest value of one quantity in SI, and when it was received (``time.monotonic()``).

    ``number`` counts the values received.
    """

    __slots__ = ("number", "time_s", "value")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Reset to the state before any reception."""
        self.value = 0.0
        self.time_s = NEVER
        self.number = 0

    def take(self, value: float, now_s: float) -> None:
        self.value = value
        self.time_s = now_s
        self.number += 1


def timing_sample(values: Mapping[str, Sample]) -> Sample:
    """Return the quantity whose sample marks that this cycle's data has arrived."""
    named = (values[name] for name in PACE if name in values)
    return next(named, next(iter(values.values()), Sample()))


@dataclass
class Counters:
    """Counts of received messages, and of unusable ones by reason."""

    received: int = 0
    malformed: int = 0
    checksum_failures: int = 0
    counter_gaps: int = 0
    repeated: int = 0
    foreign: int = 0


def _numbered(texts: Any) -> Any:
    """Convert hexadecimal keys: keys of a mapping are text in a profile."""
    if not isinstance(texts, dict):
        return texts
    return {
        int(key, 16) if isinstance(key, str) and re.fullmatch("0x[0-9a-fA-F]+", key) else key: text
        for key, text in texts.items()
    }


class Masked(Part):
    """A state that is active when the masked status number equals a value."""

    mask: Annotated[int, Field(gt=0)]
    equals: Annotated[int, Field(ge=0)]

    @model_validator(mode="after")
    def _possible(self) -> Masked:
        if self.equals & ~self.mask:
            raise ValueError("equals: it has bits outside mask and is never met; correct it")
        return self

    def met(self, status: int) -> bool:
        return status & self.mask == self.equals


class InputMap(Scaling):
    """Source of a quantity (``message.signal``, or a field's name) and its scaling."""

    source: Annotated[str, Field(alias="from")]


class OutputMap(Scaling):
    """Target of a command (``message.signal``, or the name in a template)."""

    target: Annotated[str, Field(alias="to")]


class Status(Part):
    """Meaning of the board's status number: the state of its power stage."""

    energised: Masked
    fault: Masked | None = None


class SequenceStep(Part):
    """Send one message (with these values), then wait for the expected answer.

    ``expect``: ``energised``, ``fault`` (true or false), or a signal or field and its required
        value, in the board's own units.
    """

    send: str | None = None
    values: Annotated[dict[str, float], Field(alias="with")] = {}
    expect: dict[str, float | bool] = {}
    within: Annotated[Duration, Field(gt=0, le=10)] = 0.5

    @model_validator(mode="after")
    def _does_something(self) -> SequenceStep:
        if self.send is None and not self.expect:
            raise ValueError("a step must send something or expect something")
        return self


class Sequences(Part):
    """Declared dialogues; an empty one sends nothing."""

    start_up: tuple[SequenceStep, ...] = ()
    energise: tuple[SequenceStep, ...] = ()
    de_energise: tuple[SequenceStep, ...] = ()
    clear_fault: tuple[SequenceStep, ...] = ()
    shut_down: tuple[SequenceStep, ...] = ()


class Heartbeat(Part):
    """A message sent at a steady rate, by which the board monitors its host."""

    send: str
    every: Annotated[Duration, Field(gt=0, le=10)]


class BoardOptions(Part):
    """Common part of every description. A board without ``takes`` is a sensor."""

    name: str = "board"
    gives: dict[InputName, InputMap] = {}
    takes: dict[OutputName, OutputMap] = {}
    sequences: Sequences = Sequences()
    status: Status | None = None
    fault_texts: Annotated[dict[int, str], BeforeValidator(_numbered)] = {}
    heartbeat: Heartbeat | None = None
    poll: str | None = None  # sent at the start of each cycle, if the board answers only then
    host_loss: Annotated[Duration, Field(gt=0, le=10)] | None = None
    silence: Annotated[Duration, Field(gt=0, le=10)] = 0.05
    rated_torque: Annotated[Torque, Field(gt=0)] | None = None
    peak_torque: Annotated[Torque, Field(gt=0)] | None = None
    torque_constant: Annotated[TorqueConstant, Field(gt=0)] | None = None
    command_delay: Annotated[float, Field(ge=0, le=20)] = 1.0  # cycles until a command acts

    @property
    def modes(self) -> tuple[str, ...]:
        """Command modes of the board: torque (also by current), velocity or position."""
        return tuple("torque" if name == "current" else str(name) for name in commanded(self.takes))

    @property
    def torque_offset(self) -> bool:
        """True if the board adds a commanded torque to that of its own loop."""
        return TORQUE_OFFSET in self.takes

    def check_drive(self, gives: Collection[str], takes: Collection[str]) -> None:
        """Check that a board that takes commands has everything a drive needs.

        Raises:
            ValueError: naming the missing key, and why it is needed.
        """
        if not gives:
            raise ValueError("gives: no quantity of this board is named; name one")
        if "torque" in takes and "current" in takes:
            raise ValueError("takes: torque and current are one command; declare one of the two")
        for part, names in (("takes", takes), ("gives", gives)):
            if "current" in names and self.torque_constant is None:
                raise ValueError(
                    f"{part}.current: its torque is unknown; add torque_constant, such as '0.09 "
                    "N*m/A'"
                )
        if not takes:
            return
        main = commanded(takes)
        if TORQUE_OFFSET in takes and not {"velocity", "position"} & set(main):
            raise ValueError(
                "takes.torque_offset: it is added to the torque of a velocity or position loop; "
                "declare velocity or position as well, or remove it"
            )
        if len(main) > 1:
            raise ValueError(
                f"takes: {' and '.join(sorted(main))} do not define which of them the board "
                "follows; keep the one that control.source commands"
            )
        for key, example in (
            ("rated_torque", "1.2 N*m"),
            ("peak_torque", "3 N*m"),
            ("host_loss", "100 ms"),
        ):
            if getattr(self, key) is None:
                raise ValueError(
                    f"takes: a board that takes commands needs {key}; add '{key}: {example}', as "
                    "set in the board"
                )
        if not self.sequences.energise and self.status is None:
            raise ValueError(
                "sequences: the state of the power stage would be unknown; add energise, or status"
            )
        if not self.sequences.de_energise:
            raise ValueError("sequences: no way of removing power is given; add de_energise")

    def command_ends(self, quantity: str) -> tuple[float, float] | None:
        """Return the smallest and largest number that a command's signal can hold; None: any."""
        del quantity
        return None

    def command_range(self, quantity: str) -> tuple[tuple[str, ...], str, float, float] | None:
        """Return path of a command, its signal, and the range of that in SI; None if it has none."""
        taken = next((one for name, one in self.takes.items() if str(name) == quantity), None)
        ends = self.command_ends(quantity) if taken is not None else None
        if taken is None or ends is None:
            return None
        low, high = sorted(taken.to_si(number) for number in ends)
        return ("takes", quantity), taken.target, low, high

    def check_command(self, quantity: str, scaling: Scaling, low: float, high: float) -> None:
        """Check that numbers from ``low`` to ``high`` cover the range of commands.

        Raises:
            ValueError: naming their range.
        """
        most = self.peak_torque or 0.0
        if quantity == "current":
            most /= self.torque_constant or 1.0
        elif quantity not in ("torque", TORQUE_OFFSET):
            return
        ends = sorted(scaling.to_si(number) for number in (low, high))
        if ends[0] > -most or ends[1] < most:
            unit = TAKEN_UNITS[quantity]
            raise ValueError(
                f"takes.{quantity}: its range is {ends[0]:.4g} to {ends[1]:.4g} {unit}, but "
                f"commands range from {-most:.4g} to {most:.4g}; correct scale, offset or sign of "
                "the number, or lower peak_torque"
            )


class Board(Protocol):
    """One described board on its wire; one thread may use it.

    Attributes:
        gives: quantities that it provides; takes: commands that it obeys.
        values: the latest of each, ``status`` and ``fault`` included where declared.
        received_s: time of its latest message.
    """

    @property
    def options(self) -> BoardOptions:
        """The description."""

    gives: frozenset[str]
    takes: frozenset[str]
    values: dict[str, Sample]
    counters: Counters
    received_s: float

    def interval_s(self, quantity: str, period_s: float) -> float:
        """Return the time between two values, s; infinite if not declared."""

    def answers_command(self, quantity: str) -> bool:
        """Return whether a quantity is only sent in answer to commands."""

    def open(self) -> None:
        """Open the wire. Raises ``DriverError`` naming the place and the fix."""

    def poll(self, until_s: float) -> None:
        """Take all waiting data; wait for this cycle's motor sample until ``until_s`` at most.

        Raises:
            DriverError: the wire was lost.
        """

    def command(self, quantity: str, value: float, torque_offset_N_m: float = 0.0) -> None:
        """Send one command in SI, with the torque to be added, if the board takes one.

        Raises:
            DriverError: the wire was lost.
        """

    def send(self, name: str, values: Mapping[str, float]) -> None:
        """Send one declared message with these values. Raises ``DriverError``."""

    def met(self, name: str, wanted: float) -> bool:
        """Return whether signal or field ``name`` has this value, received since ``forget``."""

    def forget(self, name: str) -> None:
        """Forget the value of ``name``."""

    def close(self) -> None:
        """Release the wire. Never raises."""
