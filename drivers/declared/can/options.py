"""The profile's ``drive:`` mapping for protocol ``declared_can``, completed and checked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import model_validator

from drivers.declared.can.checks import wrong_uses
from drivers.declared.can.dbc import REFUSED, DbcError, dbc_messages
from drivers.declared.can.fields import DeclaredCanFields
from drivers.suggest import nearest


class DeclaredCanOptions(DeclaredCanFields):
    """Options for a board with described CAN messages."""

    @model_validator(mode="before")
    @classmethod
    def _from_database(cls, data: Any) -> Any:
        """Merge the messages of the database file with those of the profile, which override it."""
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
            self.signal(f"gives.{quantity}", given.source)
        for command, taken in self.takes.items():
            self.signal(f"takes.{command}", taken.target)
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
                self.message(place, message)
        for found in wrong_uses(self):
            raise ValueError(found)
        return self

    def _check_steps(self) -> None:
        """Check that messages and signals of the sequences exist."""
        for name, steps in self.sequences:
            for i, step in enumerate(steps):
                place = f"sequences.{name}[{i}]"
                if step.send is not None:
                    self.message(place, step.send)
                    for signal in step.values:
                        self.signal(f"{place}.with", f"{step.send}.{signal}")
                for wanted in step.expect:
                    if wanted not in ("energised", "fault"):
                        self.signal(f"{place}.expect", wanted)
                    elif self.status is None or (wanted == "fault" and not self.status.fault):
                        raise ValueError(f"{place}.expect: '{wanted}' needs status.{wanted}")


def _mentioned(data: dict[str, Any]) -> dict[str, str]:
    """Return the messages used by the description, each with the place that names it first."""
    places: dict[str, str] = {}

    def note(place: str, name: object, path: bool = False) -> None:
        # Other values than text, and missing paths, are refused later.
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
