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

# Of a protocol that does not say: what a drive usually gives.
USUAL = frozenset(
    {"position", "velocity", "torque", "supply", "temperature", "deflection", "status", "fault"}
)
# Of these the one that takes the commands speaks for itself; others may add a fault.
OWN = frozenset({"status", "fault"})


class AnyProtocol:
    """OperatorNotice beside a field's type: it holds the options of whatever protocol it names."""

    def model_for(self, data: Any) -> type[BaseModel] | None:
        """The options model that fits ``data``, if its protocol is known."""
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
        raise ValueError("protocol is needed of each member: how is it spoken to?")
    if name == "combined":
        raise ValueError("protocol: a member cannot be combined itself; name its members here")
    try:
        protocol = find_protocol(name)
    except DriverError as error:
        raise ValueError(f"protocol: {error}") from None
    # Its own findings come out at their own places.
    return protocol.options.model_validate(data)


def gives(options: Any) -> frozenset[str]:
    """Quantities that a member's options say come from it."""
    declared = getattr(options, "gives", None)
    return frozenset(str(name) for name in declared) if declared is not None else USUAL


def takes(options: Any) -> bool:
    """Return whether a member can take commands."""
    declared = getattr(options, "takes", None)
    return bool(declared) if declared is not None else True


def interval_s(options: Any) -> float:
    """Return the interval of a member's rarest own message in s; 0 if it sends none."""
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
    from which a quantity is taken, if more than one gives it. ``latency``: for members, how long
    before it is received (or before its own stamp, brought to our clock) a sample is measured;
    without it, half the shortest time between question and answer for a member that is asked,
    and nothing for one that speaks by itself.
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
            raise ValueError(f"members: {which}; name in 'commands' the one that is to have them")
        if self.commands is not None and self.commands not in able:
            raise ValueError(f"commands: '{self.commands}' takes none; name one that does")
        self._one_source_each()
        return self

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
                    f"'quantities', or take it out of the other"
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
    def modes(self) -> tuple[str, ...]:
        """Modes that the member that moves the rig is commanded in."""
        found: tuple[str, ...] = getattr(self.members[self.commanded], "modes", ("torque",))
        return found

    @property
    def host_loss(self) -> float | None:
        """Host-loss time of the member that moves the rig, s."""
        found: float | None = getattr(self.members[self.commanded], "host_loss", None)
        return found


def _claims(options: Any, quantity: str) -> bool:
    given = gives(options)
    return quantity in given or (quantity == "torque" and "current" in given)
