"""The profile's ``drive:`` mapping for protocol ``declared_can``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from drivers.can_bus import BusOptions
from drivers.declared.board import BoardOptions, Given, Taken
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
            raise ValueError(f"id {self.id:#x} needs 29 bits: say 'extended: true'")
        if self.length not in FD_LENGTHS or (self.length > 8 and not self.fd):
            raise ValueError(
                f"length {self.length}: classic CAN carries 0 to 8 bytes, CAN FD (say 'fd: true') "
                "also 12, 16, 20, 24, 32, 48 or 64"
            )
        found = problems(self.signals, self.length, self.multiplexer)
        for key in ("counter", "checksum"):
            part = getattr(self, key)
            if part is not None and part.signal not in self.signals:
                hint = nearest(part.signal, self.signals)
                found.append(f"{key}: no signal '{part.signal}'{hint}")
        for name in self.values:
            if name not in self.signals:
                found.append(f"values: no signal '{name}'{nearest(name, self.signals)}")
        if self.checksum is not None and self.checksum.signal in self.signals:
            carrier = self.signals[self.checksum.signal]
            if carrier.bits != self.checksum.width or carrier.positions()[0] % 8:
                found.append(
                    f"checksum: signal '{self.checksum.signal}' has {carrier.bits} bits and must "
                    f"be whole bytes, {self.checksum.width} bits"
                )
            first, last = self.checksum.covers
            ends = [end + self.length if end < 0 else end for end in (first, last)]
            if not 0 <= ends[0] <= ends[1] < self.length:
                found.append(f"checksum: covers bytes outside the message of {self.length}")
        if found:
            raise ValueError("; ".join(found))
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
        used = {str(name) for name in declared} | _mentioned(data)
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
                    raise ValueError(f"message '{name}': {base[REFUSED]}")
                merged[name] = {**base, **own} if isinstance(own, dict) else own
                if isinstance(own, dict) and isinstance(own.get("signals"), dict):
                    merged[name]["signals"] = {**base["signals"], **own["signals"]}
            elif name in declared and "id" in own:
                merged[name] = own
            else:
                raise ValueError(
                    f"message '{name}' is not in {Path(str(data['dbc'])).name}"
                    f"{nearest(name, known)}"
                )
        return {**data, "messages": merged}

    @model_validator(mode="after")
    def _whole(self) -> DeclaredCanOptions:
        self._told_apart()
        for quantity, given in self.gives.items():
            self._signal(f"gives.{quantity}", given.source)
        for quantity, taken in self.takes.items():
            self._signal(f"takes.{quantity}", taken.target)
            self._switched(f"takes.{quantity}", taken.target, {})
        if len({taken.target.partition(".")[0] for taken in self.takes.values()}) > 1:
            raise ValueError("takes: all commands must be in one message")
        self.check_drive(self.gives, self.takes)
        if self.status is not None and "status" not in self.gives:
            raise ValueError("gives.status is needed: status says how to read it")
        for name, steps in self.sequences:
            for i, step in enumerate(steps):
                place = f"sequences.{name}[{i}]"
                if step.send is not None:
                    self._message(place, step.send)
                    for signal in step.values:
                        self._signal(f"{place}.with", f"{step.send}.{signal}")
                        self._switched(f"{place}.with", f"{step.send}.{signal}", step.values)
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
        return self

    def _told_apart(self) -> None:
        """Whether each message has an identifier of its own, on a bus that can carry it."""
        names: dict[tuple[int, bool], str] = {}
        for name, message in self.messages.items():
            other = names.setdefault((message.id, message.extended), name)
            if other != name:
                raise ValueError(
                    f"messages: '{other}' and '{name}' have the same id {message.id:#x}; give each "
                    "its own"
                )
            if message.fd and not self.bus.extra().get("fd"):
                raise ValueError(f"messages.{name}: it is CAN FD; say 'fd: true' under bus as well")

    def _switched(self, place: str, path: str, values: Mapping[str, float]) -> None:
        """Whether a multiplexed signal is there in the message that is sent."""
        name, _, signal = path.partition(".")
        message = self.messages[name]
        when, switch = message.signals[signal].when, message.multiplexer
        if not when or switch is None:
            return
        declared = message.signals[switch]
        wanted = [number * declared.scale + declared.offset for number in when]
        if {**message.values, **values}.get(switch) not in wanted:
            raise ValueError(
                f"{place}: '{signal}' is there only while '{switch}' is "
                f"{' or '.join(f'{value:g}' for value in wanted[:4])}; say so in "
                f"messages.{name}.values"
            )

    def _message(self, place: str, name: str) -> CanMessage:
        if name not in self.messages:
            raise ValueError(f"{place}: no message '{name}'{nearest(name, self.messages)}")
        return self.messages[name]

    def _signal(self, place: str, path: str) -> Signal:
        message, dot, signal = path.partition(".")
        if not dot:
            raise ValueError(f"{place}: write '{path}' as message.signal")
        signals = self._message(place, message).signals
        if signal not in signals:
            raise ValueError(
                f"{place}: message '{message}' has no signal '{signal}'{nearest(signal, signals)}"
            )
        return signals[signal]


def _mentioned(data: dict[str, Any]) -> set[str]:
    """Messages that the description uses, wherever it names one."""
    names = set()
    for part, key in (("gives", "from"), ("takes", "to")):
        entries = data.get(part)
        if isinstance(entries, dict):
            for entry in entries.values():
                if isinstance(entry, dict) and isinstance(entry.get(key), str):
                    names.add(entry[key].partition(".")[0])
    sequences = data.get("sequences")
    if isinstance(sequences, dict):
        for steps in sequences.values():
            for step in steps if isinstance(steps, list | tuple) else ():
                if isinstance(step, dict):
                    if isinstance(step.get("send"), str):
                        names.add(step["send"])
                    names |= {
                        str(name).partition(".")[0]
                        for name in step.get("expect") or {}
                        if "." in str(name)
                    }
    heartbeat = data.get("heartbeat")
    if isinstance(heartbeat, dict) and isinstance(heartbeat.get("send"), str):
        names.add(heartbeat["send"])
    if isinstance(data.get("poll"), str):
        names.add(data["poll"])
    return names
