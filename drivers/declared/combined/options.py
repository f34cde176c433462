"""The profile's ``drive:`` mapping for protocol ``combined``."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, Field, model_validator

from drivers.base import DriverError
from drivers.declared.can import DeclaredCanOptions
from drivers.declared.serial import SerialOptions
from drivers.quantities import Duration
from drivers.registry import find_protocol
from drivers.suggest import nearest
from drivers.transport import InputMap as InputName
from drivers.transport import Part

# Quantities assumed for a protocol that does not declare them.
USUAL = frozenset(
    {"position", "velocity", "torque", "supply", "temperature", "deflection", "status", "fault"}
)
# Taken from the commanded member; others may add a fault.
OWN = frozenset({"status", "fault"})


class AnyProtocol:
    """Annotation of a field's type: it holds the options of the protocol that it names."""

    def model_for(self, data: Any) -> type[BaseModel] | None:
        """Return the options model for ``data``, if its protocol is known."""
        name = data.get("protocol") if isinstance(data, dict) else None
        try:
            found: type[BaseModel] = find_protocol(str(name)).options
        except DriverError:
            return None
        return found


def _member(data: Any) -> Any:
    if isinstance(data, BaseModel):
        return data
    if not isinstance(data, dict):
        raise ValueError("each member is a mapping; indent its keys below its name")
    name = data.get("protocol")
    if not isinstance(name, str):
        raise ValueError("protocol is needed for each member")
    if name == "combined":
        raise ValueError("protocol: a member cannot itself be combined; name its members here")
    try:
        protocol = find_protocol(name)
    except DriverError as error:
        raise ValueError(f"protocol: {error}") from None
    # Its own errors appear at their own places.
    return protocol.options.model_validate(data)


def gives(options: Any) -> frozenset[str]:
    """Return the quantities that a member provides by its options."""
    declared = getattr(options, "gives", None)
    return frozenset(str(name) for name in declared) if declared is not None else USUAL


def takes(options: Any) -> bool:
    """Return whether a member can take commands."""
    declared = getattr(options, "takes", None)
    return bool(declared) if declared is not None else True


def interval_s(options: Any) -> float:
    """Return the longest interval of a member's streamed messages in s; 0 if it streams none."""
    if isinstance(options, SerialOptions):
        every = [s for name, s in options.cadence().items() if s and name in options.used]
    elif isinstance(options, DeclaredCanOptions):
        used = {given.source.partition(".")[0] for given in options.gives.values()}
        every = [m.every for name, m in options.messages.items() if m.every and name in used]
    else:
        every = []
    return max(every, default=0.0)


class CombinedOptions(Part):
    """Several devices that make one rig.

    ``commands``: the member that takes them, if more than one could. ``quantities``: the member
        from which a quantity is taken, if more than one gives it. ``latency``: by member, the time
        from measurement to reception (or to its own stamp, converted to the host clock) of a
        sample; by default half the shortest time from request to answer for a polled member, and
        zero for a streaming one.
    """

    protocol: Literal["combined"] = "combined"
    members: Annotated[
        dict[str, Annotated[Any, BeforeValidator(_member), AnyProtocol()]], Field(min_length=2)
    ]
    commands: str | None = None
    quantities: dict[InputName, str] = {}
    latency: dict[str, Annotated[Duration, Field(ge=0, le=0.1)]] = {}
    align: bool = True

    @model_validator(mode="after")
    def _whole(self) -> CombinedOptions:
        members = self.members
        for name in members:
            if not name.isidentifier():
                raise ValueError(
                    f"members: '{name}' is not a name; write it with letters, digits and _"
                )
        for place, named in (
            ("commands", [self.commands] if self.commands else []),
            ("quantities", list(self.quantities.values())),
            ("latency", list(self.latency)),
        ):
            for name in named:
                if name not in members:
                    raise ValueError(f"{place}: no member '{name}'{nearest(name, members)}")
        able = [name for name, options in members.items() if takes(options)]
        if self.commands is None and len(able) != 1:
            which = f"{' and '.join(able)} can take commands" if able else "no member takes any"
            raise ValueError(f"members: {which}; name in 'commands' the one to be commanded")
        if self.commands is not None and self.commands not in able:
            raise ValueError(f"commands: '{self.commands}' takes none; name one that does")
        self._one_source_each()
        return self

    def command_range(self, quantity: str) -> tuple[tuple[str, ...], str, float, float] | None:
        """Return that of the commanded member, if it has one."""
        name = self.commands or next(name for name, one in self.members.items() if takes(one))
        range_of = getattr(self.members[name], "command_range", None)
        found = range_of(quantity) if callable(range_of) else None
        if found is None:
            return None
        path, signal, low, high = found
        return ("members", name, *path), signal, low, high

    def _one_source_each(self) -> None:
        for quantity, chosen in self.quantities.items():
            if quantity not in gives(self.members[chosen]):
                raise ValueError(
                    f"quantities.{quantity}: '{chosen}' does not give it; name another"
                )
        for name in sorted(USUAL - OWN):
            claiming = [n for n, options in self.members.items() if _claims(options, name)]
            if len(claiming) > 1 and name not in self.quantities:
                raise ValueError(
                    f"members: {' and '.join(claiming)} both give {name}; name one of them in "
                    "'quantities', or remove it from the other"
                )

    @property
    def commanded(self) -> str:
        """Name of the member that takes the commands."""
        if self.commands is not None:
            return self.commands
        return next(name for name, options in self.members.items() if takes(options))

    def source(self, quantity: str) -> str | None:
        """Name of the member from which a quantity is taken."""
        chosen = {str(name): member for name, member in self.quantities.items()}.get(quantity)
        if chosen is not None:
            return chosen
        return next((n for n, o in self.members.items() if _claims(o, quantity)), None)

    @property
    def torque_offset(self) -> bool:
        """True if the commanded member adds a commanded torque to that of its own loop."""
        return bool(getattr(self.members[self.commanded], "torque_offset", False))

    @property
    def modes(self) -> tuple[str, ...]:
        """Modes in which the commanded member is controlled."""
        found: tuple[str, ...] = getattr(self.members[self.commanded], "modes", ("torque",))
        return found

    @property
    def host_loss(self) -> float | None:
        """Host-loss time of the commanded member, s."""
        found: float | None = getattr(self.members[self.commanded], "host_loss", None)
        return found


def _claims(options: Any, quantity: str) -> bool:
    given = gives(options)
    return quantity in given or (quantity == "torque" and "current" in given)
