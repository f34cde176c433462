"""Common options of descriptions of boards on a serial port, text or binary."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Annotated

from pydantic import Field

from drivers.declared.common import BoardOptions
from drivers.quantities import Duration
from drivers.suggest import nearest
from drivers.transport import Part, PortOptions


class FieldCounter(Part):
    """A field incremented with each message, back to 0 after ``modulo - 1``."""

    field: str
    modulo: Annotated[int, Field(ge=2)] = 256


class Clock(Part):
    """The field with a board's own time of measurement.

    ``tick``: duration of one count. ``modulo``: counts after which it restarts at 0.
    """

    source: Annotated[str, Field(alias="from")]
    tick: Annotated[Duration, Field(gt=0, le=1)]
    modulo: Annotated[int, Field(ge=2)] = 1 << 32


class SerialOptions(BoardOptions):
    """A board on a serial port. Subclasses name its messages."""

    port: PortOptions
    clock: Clock | None = None

    def received(self) -> dict[str, tuple[str, ...]]:
        """Return the names of the messages from the board, and their fields."""
        raise NotImplementedError

    def sent(self) -> dict[str, tuple[str, ...]]:
        """Return the names of the messages to the board, and their values."""
        raise NotImplementedError

    def cadence(self) -> dict[str, float | None]:
        """Return the interval of each streamed message, s; None: only in answer to another."""
        raise NotImplementedError

    def answered(self) -> dict[str, str | None]:
        """Return the message that each one answers; None: ``poll``."""
        return {}

    @property
    def used(self) -> frozenset[str]:
        """Messages of the board that are read."""
        names = {given.source.partition(".")[0] for given in self.gives.values()}
        names |= {self.clock.source.partition(".")[0]} if self.clock else set()
        for _, steps in self.sequences:
            for step in steps:
                names |= {name.partition(".")[0] for name in step.expect}
        return frozenset(names - {"energised", "fault"})

    @property
    def commanding(self) -> frozenset[str]:
        """Messages that carry a command, one in each cycle with power."""
        return frozenset(taken.target.partition(".")[0] for taken in self.takes.values())

    def check_names(self) -> None:
        """Check that all named messages and fields exist.

        Raises:
            ValueError: naming the place and similar names.
        """
        received, sent = self.received(), self.sent()
        for quantity, given in self.gives.items():
            _path(f"gives.{quantity}", given.source, received)
        if self.clock is not None:
            _path("clock", self.clock.source, received)
        for command, taken in self.takes.items():
            _path(f"takes.{command}", taken.target, sent)
        if len({taken.target.partition(".")[0] for taken in self.takes.values()}) > 1:
            raise ValueError("takes: all commands must be in one message")
        self.check_drive(self.gives, self.takes)
        if self.status is not None and "status" not in self.gives:
            raise ValueError("status: its number is missing; add gives.status")
        self._check_steps()
        for place, message in (
            ("heartbeat.send", self.heartbeat and self.heartbeat.send),
            ("poll", self.poll),
        ):
            if message:
                _name(place, message, sent)
        self._check_arrival()

    def _check_steps(self) -> None:
        """Check that messages and fields of the sequences exist."""
        received, sent = self.received(), self.sent()
        for name, steps in self.sequences:
            for i, step in enumerate(steps):
                place = f"sequences.{name}[{i}]"
                if step.send is not None:
                    _name(place, step.send, sent)
                    for value in step.values:
                        _path(f"{place}.with", f"{step.send}.{value}", sent)
                for wanted in step.expect:
                    if wanted in ("energised", "fault"):
                        if self.status is None or (wanted == "fault" and not self.status.fault):
                            raise ValueError(f"{place}.expect: '{wanted}' needs status.{wanted}")
                    elif "." in wanted:
                        _path(f"{place}.expect", wanted, received)
                    else:
                        _name(f"{place}.expect", wanted, received)

    def _check_arrival(self) -> None:
        """Check that every quantity is streamed or polled."""
        cadence, answered = self.cadence(), self.answered()
        for quantity, given in self.gives.items():
            message = given.source.partition(".")[0]
            if cadence[message] is None and not self.poll and not answered.get(message):
                raise ValueError(
                    f"gives.{quantity}: '{message}' has no 'every', nor is there a poll that it "
                    "answers; write how often it comes, or what it answers"
                )
            asked = answered.get(message) or self.poll
            again = {self.poll, *self.commanding} | {
                self.heartbeat.send if self.heartbeat else None
            }
            if cadence[message] is None and asked in self.sent() and asked not in again:
                raise ValueError(
                    f"gives.{quantity}: '{message}' answers '{asked}', which is sent only in a "
                    "sequence, so that the value would not be refreshed; write 'every', or let it "
                    "answer poll, heartbeat or command"
                )
        for message, asked in answered.items():
            if asked is not None:
                _name(f"'{message}' answers", asked, self.sent())


def unique(names: Iterable[str], what: str) -> None:
    """Raise ``ValueError`` for a repeated name."""
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise ValueError(f"{what}: '{name}' is repeated; name each once")
        seen.add(name)


def _name(place: str, name: str, known: Collection[str]) -> None:
    if name not in known:
        raise ValueError(f"{place}: nothing is named '{name}'{nearest(name, known)}")


def _path(place: str, path: str, known: Mapping[str, Collection[str]]) -> None:
    message, dot, field = path.partition(".")
    if not dot:
        raise ValueError(f"{place}: '{path}' is not a path; write it as message.field")
    _name(place, message, known)
    if field not in known[message]:
        raise ValueError(
            f"{place}: '{message}' has no field '{field}'{nearest(field, known[message])}"
        )
