"""Bus load of the cyclic exchange with a described CAN board, and its claims on the bus."""

from __future__ import annotations

from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.options import DeclaredCanOptions
from drivers.transport import Budget, CanLoad, Claim, FrameSize, bus_name, identifier_text


def budgets(options: DeclaredCanOptions, period_s: float) -> tuple[Budget, ...]:
    """Return the load: command and poll once a cycle, all else as declared; sequences excluded.

    Messages from the board without a declared ``every`` are assumed once a cycle.
    """
    load = CanLoad(options.bus)

    def frame(message: CanMessage, received: bool) -> FrameSize:
        # Frames sent here do not switch to the data bit rate; the board's may.
        return FrameSize(message.length, message.extended, message.fd, received)

    cyclic = {taken.target.partition(".")[0] for taken in options.takes.values()}
    cyclic |= {options.poll} if options.poll else set()
    heartbeat = options.heartbeat
    if heartbeat is not None and heartbeat.send not in cyclic:
        load.each(frame(options.messages[heartbeat.send], False), True, heartbeat.every)
    given = {given.source.partition(".")[0] for given in options.gives.values()}
    for name, message in options.messages.items():
        if name in cyclic:
            load.each_cycle(frame(message, False), sent=True)
        elif heartbeat is not None and name == heartbeat.send:
            continue
        elif message.every is not None:
            load.each(frame(message, True), False, message.every)
        elif name in given:
            load.each_cycle(frame(message, True), sent=False)
    return load.budgets(period_s)


def claims(options: DeclaredCanOptions) -> tuple[Claim, ...]:
    """Return the identifier of every declared message."""
    wire = bus_name(options.bus.interface, options.bus.channel)
    return tuple(
        Claim(
            wire, f"identifier {identifier_text(message.id, message.extended)}", f"messages.{name}"
        )
        for name, message in options.messages.items()
    )
