"""The profile's ``drive:`` mapping for protocol ``declared_can``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drivers.can_bus import BusOptions
from drivers.declared.board import BoardOptions, Given, Taken
from drivers.declared.can_checks import carriers, wrong_uses
from drivers.declared.can_signals import Signal, problems
from drivers.declared.checksums import Checksum
from drivers.declared.dbc import REFUSED, DbcError, dbc_messages, nearest
from drivers.declared.quantities import Given as GivenName
from drivers.declared.quantities import Part
from drivers.declared.quantities import Taken as TakenName
from drivers.quantities import Duration

FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
INTEGRAL = ("status", "fault")


class Rolling(Part):
    """A counter that goes up by one with each message, back to 0 after its last value."""

    signal: str
    modulo: Annotated[int, Field(ge=2)] | None = None  # as many values as its bits have


class MessageCheck(Checksum):
    """The checksum of a message and the signal that carries it.

    ``first_identifier_bytes``: the identifier's low bytes go into the checksum before the data
    (0, 1 or 2 of them, most significant first).
    """

    signal: str
    first_identifier_bytes: Annotated[int, Field(ge=0, le=4)] = 0


class CanMessage(Part):
    """One message. ``values``: constants put into every one sent, in the board's own units."""

    id: Annotated[int, Field(ge=0, le=0x1FFFFFFF)]
    extended: bool = False
    length: Annotated[int, Field(ge=0, le=64)] = 8
    fd: bool = False
    every: Annotated[Duration, Field(gt=0, le=60)] | None = None  # how often it is sent
    signals: dict[str, Signal] = {}
    multiplexer: str | None = None
    counter: Rolling | None = None
    checksum: MessageCheck | None = None
    values: dict[str, float] = {}

    @model_validator(mode="after")
    def _sound(self) -> CanMessage:
        if not self.extended and self.id > 0x7FF:
            raise ValueError(f"id {self.id:#x} needs 29 bits; say 'extended: true', or correct it")
        if self.length not in FD_LENGTHS or (self.length > 8 and not self.fd):
            raise ValueError(
                f"length {self.length} cannot be; classic CAN carries 0 to 8 bytes, CAN FD (say "
                "'fd: true') also 12, 16, 20, 24, 32, 48 or 64"
            )
        found = [*problems(self.signals, self.length, self.multiplexer), *carriers(self)]
        if found:
            raise ValueError(found[0])
        return self


class DeclaredCanOptions(BoardOptions):
    """All that is needed to speak to a board over described CAN messages."""

    protocol: Literal["declared_can"] = "declared_can"
    bus: BusOptions
    dbc: str | None = None  # database file with messages; those below are added, or refine it
    messages: dict[str, CanMessage] = {}
    gives: dict[GivenName, Given] = {}
    takes: dict[TakenName, Taken] = {}

    @model_validator(mode="before")
    @classmethod
    def _from_database(cls, data: Any) -> Any:
        """Messages of the database file, with what the profile says of them on top."""
        if not isinstance(data, dict) or not data.get("dbc"):
            return data
        declared = data.get("messages") or {}
        if not isinstance(declared, dict):
            return data
        mentioned = _mentioned(data)
        used = {str(name) for name in declared} | set(mentioned)
        try:
            known = dbc_messages(Path(str(data["dbc"])))
        except DbcError as error:
            raise ValueError(str(error)) from None
        merged: dict[str, Any] = {}
        for name in [*declared, *sorted(used - set(declared))]:
            own = declared.get(name) or {}
            if name in known:
                base = known[name]
                if REFUSED in base:
                    raise ValueError(f"{mentioned.get(name, 'messages')}: {base[REFUSED]}")
                merged[name] = {**base, **own} if isinstance(own, dict) else own
                if isinstance(own, dict) and isinstance(own.get("signals"), dict):
                    merged[name]["signals"] = {**base["signals"], **own["signals"]}
            elif name in declared and (not isinstance(own, dict) or "id" in own):
                merged[name] = own
            else:
                raise ValueError(
                    f"{mentioned.get(name, f'messages.{name}')}: there is no message '{name}' in "
                    f"{Path(str(data['dbc'])).name}{nearest(name, known)}"
                )
        return {**data, "messages": merged}

    @model_validator(mode="after")
    def _whole(self) -> DeclaredCanOptions:
        for quantity, given in self.gives.items():
            self._signal(f"gives.{quantity}", given.source)
        for quantity, taken in self.takes.items():
            self._signal(f"takes.{quantity}", taken.target)
        if len({taken.target.partition(".")[0] for taken in self.takes.values()}) > 1:
            raise ValueError("takes: all commands must be in one message")
        self.check_drive(self.gives, self.takes)
        if self.status is not None and "status" not in self.gives:
            raise ValueError("status: it reads a number that is not there; add gives.status")
        for name, steps in self.sequences:
            for i, step in enumerate(steps):
                place = f"sequences.{name}[{i}]"
                if step.send is not None:
                    self._message(place, step.send)
                    for signal in step.values:
                        self._signal(f"{place}.with", f"{step.send}.{signal}")
                for wanted in step.expect:
                    if wanted not in ("energised", "fault"):
                        self._signal(f"{place}.expect", wanted)
                    elif self.status is None or (wanted == "fault" and not self.status.fault):
                        raise ValueError(f"{place}.expect: '{wanted}' needs status.{wanted}")
        for place, message in (
            ("heartbeat.send", self.heartbeat and self.heartbeat.send), ("poll", self.poll)
        ):
            if message:
                self._message(place, message)
        for found in wrong_uses(self):
            raise ValueError(found)
        return self

    def _message(self, place: str, name: str) -> CanMessage:
        if name not in self.messages:
            raise ValueError(f"{place}: no message '{name}'{nearest(name, self.messages)}")
        return self.messages[name]

    def _signal(self, place: str, path: str) -> Signal:
        message, dot, signal = path.partition(".")
        if not dot:
            raise ValueError(f"{place}: '{path}' is no path; write it as message.signal")
        signals = self._message(place, message).signals
        if signal not in signals:
            raise ValueError(
                f"{place}: message '{message}' has no signal '{signal}'{nearest(signal, signals)}"
            )
        return signals[signal]


def _mentioned(data: dict[str, Any]) -> dict[str, str]:
    """Messages that the description uses, each with the place that names it first."""
    places: dict[str, str] = {}

    def note(place: str, name: object, path: bool = False) -> None:
        # What is no text, or no path where one is needed, is refused later.
        if isinstance(name, str) and (not path or "." in name):
            places.setdefault(name.partition(".")[0] if path else name, place)

    for part, key in (("gives", "from"), ("takes", "to")):
        entries = data.get(part)
        for quantity, entry in entries.items() if isinstance(entries, dict) else ():
            if isinstance(entry, dict):
                note(f"{part}.{quantity}.{key}", entry.get(key), True)
    sequences = data.get("sequences")
    for name, steps in sequences.items() if isinstance(sequences, dict) else ():
        for i, step in enumerate(steps if isinstance(steps, list | tuple) else ()):
            if isinstance(step, dict):
                place = f"sequences.{name}[{i}]"
                note(f"{place}.send", step.get("send"))
                expected = step.get("expect")
                for wanted in expected if isinstance(expected, dict) else ():
                    note(f"{place}.expect", wanted, True)
    heartbeat = data.get("heartbeat")
    note("heartbeat.send", heartbeat.get("send") if isinstance(heartbeat, dict) else None)
    note("poll", data.get("poll"))
    return places
