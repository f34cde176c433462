"""Checks of the consistency of a CAN description; each finding with its fix."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from drivers.declared.can.fields import DeclaredCanFields
from drivers.declared.can.message_options import out_of_range, reach
from drivers.declared.can.signals import Signal
from drivers.transport import GIVEN_UNITS, TAKEN_UNITS, Scaling

TURN, MINUTE = 2 * math.pi, 60.0
# Units as written in database files: SI unit and factor.
WRITTEN: dict[str, tuple[str, float]] = {
    "rad": ("rad", 1.0),
    "mrad": ("rad", 1e-3),
    "deg": ("rad", TURN / 360),
    "°": ("rad", TURN / 360),
    "rev": ("rad", TURN),
    "turn": ("rad", TURN),
    "turns": ("rad", TURN),
    "rad/s": ("rad/s", 1.0),
    "deg/s": ("rad/s", TURN / 360),
    "°/s": ("rad/s", TURN / 360),
    "rev/s": ("rad/s", TURN),
    "rpm": ("rad/s", TURN / MINUTE),
    "1/min": ("rad/s", TURN / MINUTE),
    "rev/min": ("rad/s", TURN / MINUTE),
    "Nm": ("N·m", 1.0),
    "N*m": ("N·m", 1.0),
    "N.m": ("N·m", 1.0),
    "N·m": ("N·m", 1.0),
    "mNm": ("N·m", 1e-3),
    "Ncm": ("N·m", 1e-2),
    "A": ("A", 1.0),
    "mA": ("A", 1e-3),
    "V": ("V", 1.0),
    "mV": ("V", 1e-3),
    "degC": ("degC", 1.0),
    "°C": ("degC", 1.0),
    "N": ("N", 1.0),
    "m": ("m", 1.0),
    "mm": ("m", 1e-3),
    "s": ("s", 1.0),
    "ms": ("s", 1e-3),
    "Hz": ("Hz", 1.0),
    "W": ("W", 1.0),
}


def wrong_uses(options: DeclaredCanFields) -> Iterator[str]:
    """Yield the problems in the description's use of its messages."""
    yield from _identifiers(options)
    for quantity, given in options.gives.items():
        place, unit = f"gives.{quantity}", GIVEN_UNITS[str(quantity)]
        name, _, signal = given.source.partition(".")
        message = options.messages[name]
        yield from _unit(place, given.source, message.signals[signal], given, unit)
        if message.every is None and options.poll is None:
            yield (
                f"{place}: '{name}' has no 'every', nor is there a poll that it answers; write in "
                f"messages.{name} how often it comes, or add a poll"
            )
    for command, taken in options.takes.items():
        place, unit = f"takes.{command}", TAKEN_UNITS[str(command)]
        name, _, signal = taken.target.partition(".")
        declared = options.messages[name].signals[signal]
        yield from _unit(place, taken.target, declared, taken, unit)
        yield from _switched(place, options, taken.target, {})
        options.check_command(str(command), taken, *reach(declared))
    yield from _status(options)
    for name, steps in options.sequences:
        for i, step in enumerate(steps):
            for signal, value in step.values.items():
                place, path = f"sequences.{name}[{i}].with.{signal}", f"{step.send}.{signal}"
                yield from _switched(place, options, path, step.values)
                sent = options.messages[step.send or ""]
                yield from out_of_range(place, signal, sent.signals[signal], value)


def _identifiers(options: DeclaredCanFields) -> Iterator[str]:
    """Yield problems of identifiers: each must be unique, on a bus that can carry it."""
    names: dict[tuple[int, bool], str] = {}
    for name, message in options.messages.items():
        other = names.setdefault((message.id, message.extended), name)
        if other != name:
            yield (
                f"messages.{name}: its id {message.id:#x} is also that of '{other}'; give each its "
                "own"
            )
        if message.fd and not options.bus.extra().get("fd"):
            yield (
                f"bus: '{name}' is a CAN FD message, but the bus is not declared for CAN FD; add "
                "'fd: true' under bus"
            )


def _unit(place: str, path: str, signal: Signal, scaling: Scaling, unit: str) -> Iterator[str]:
    """Yield a problem if the unit in the database cannot be that of the quantity."""
    written = WRITTEN.get(signal.unit.strip())
    if written is None or unit in ("", "counts"):
        return
    quantity = place.partition(".")[2]
    if written[0] != unit:
        yield (
            f"{place}: '{path}' is in {signal.unit}, which is not a unit of {quantity}; name "
            f"another signal, or correct its unit (it may be spelled out under messages)"
        )
    elif written[1] != 1.0 and scaling.scale == 1.0:
        yield (
            f"{place}: '{path}' is in {signal.unit}, and {quantity} is in {unit}; write 'scale: "
            f"{written[1]:.6g}' next to it, times the gear ratio if there is a gear"
        )


def _switched(
    place: str, options: DeclaredCanFields, path: str, values: Mapping[str, float]
) -> Iterator[str]:
    """Yield a problem if a multiplexed signal is not present in the message that is sent."""
    name, _, signal = path.partition(".")
    message = options.messages[name]
    when, switch = message.signals[signal].when, message.multiplexer
    if not when or switch is None:
        return
    declared = message.signals[switch]
    wanted = [number * declared.scale + declared.offset for number in when]
    if {**message.values, **values}.get(switch) not in wanted:
        numbers = " or ".join(f"{value:g}" for value in wanted[:4])
        yield (
            f"{place}: '{signal}' is present only while '{switch}' is {numbers}; set that in "
            f"messages.{name}.values"
        )


def _status(options: DeclaredCanFields) -> Iterator[str]:
    """Yield a problem for each mask outside the bits of the status."""
    given = {str(name): given for name, given in options.gives.items()}.get("status")
    if options.status is None or given is None or given.scale != 1.0:
        return
    name, _, signal = given.source.partition(".")
    declared = options.messages[name].signals[signal]
    if declared.floating or declared.scale != 1.0:
        return
    for key in ("energised", "fault"):
        masked = getattr(options.status, key)
        if masked is not None and masked.mask >> declared.bits:
            yield (
                f"status.{key}.mask: {masked.mask:#x} reaches beyond the {declared.bits} bits "
                f"of '{given.source}'; correct the mask, or name another signal"
            )
