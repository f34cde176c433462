"""Listen to a described CAN board. Only a declared poll is sent, and only if it is no command."""

from __future__ import annotations

import can

from drivers.declared.can.message_options import CanMessage
from drivers.declared.can.messages import MessageReader, MessageWriter
from drivers.declared.can.options import DeclaredCanOptions
from drivers.declared.common import Counters, Sample
from drivers.transport import GIVEN_UNITS, CanMonitor, MessageStats, Take, identifier_text


def bus_monitor(options: DeclaredCanOptions, period_s: float) -> CanMonitor:
    """Return a monitor of every message from the board: values, answers or streams."""
    ours = {taken.target.partition(".")[0] for taken in options.takes.values()}
    orders = set(ours)
    for _, steps in options.sequences:
        orders |= {step.send for step in steps if step.send}
    ours |= orders | ({options.heartbeat.send} if options.heartbeat else set())
    ours |= {options.poll} if options.poll else set()
    declared: list[MessageStats] = []
    takes: dict[tuple[int, bool], Take] = {}
    given = {given.source.partition(".")[0] for given in options.gives.values()}
    for name, message in options.messages.items():
        if name in ours and name not in given:
            continue
        stats = MessageStats(name, identifier_text(message.id, message.extended), message.every)
        declared.append(stats)
        takes[message.id, message.extended] = _taker(name, message, options, stats)
    poll = None
    polling = ""
    heartbeat = options.heartbeat.send if options.heartbeat else None
    if options.poll is not None and options.poll not in orders and options.poll != heartbeat:
        writer = MessageWriter(options.messages[options.poll])
        poll = writer.build
        polling = f"the poll '{options.poll}', {1 / period_s:g} times a second"
    return CanMonitor(options.bus, declared, takes, poll, period_s, polling)


def _taker(
    name: str, message: CanMessage, options: DeclaredCanOptions, stats: MessageStats
) -> Take:
    counters = Counters()
    samples = {signal: Sample() for signal in message.signals}
    reader = MessageReader(message, counters, {}, samples)
    hidden = {part.signal for part in (message.counter, message.checksum) if part is not None}
    quantities = [
        (str(quantity), given.source.partition(".")[2], given)
        for quantity, given in options.gives.items()
        if given.source.partition(".")[0] == name
    ]
    used = {signal for _, signal, _ in quantities}
    plain = [signal for signal in message.signals if signal not in used | hidden]

    def take(frame: can.Message, now_s: float) -> None:
        sound = reader.take(frame.data, now_s)
        stats.troubles = {
            "malformed": counters.malformed,
            "checksum failures": counters.checksum_failures,
            "counter gaps": counters.counter_gaps,
            "repeated": counters.repeated,
        }
        if not sound:
            return
        stats.received(now_s)
        for quantity, signal, given in quantities:
            if samples[signal].number:
                stats.values[quantity] = given.to_si(samples[signal].value), GIVEN_UNITS[quantity]
        for signal in plain:
            if samples[signal].number:
                stats.values[signal] = samples[signal].value, ""

    return take
