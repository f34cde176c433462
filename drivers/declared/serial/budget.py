"""Line load of the cyclic exchange with a described serial board."""

from __future__ import annotations

from collections.abc import Mapping

from drivers.declared.common import Counters
from drivers.declared.serial.codec import Codec
from drivers.declared.serial.frame_codec import host_codec as frame_codec
from drivers.declared.serial.frame_options import DeclaredFramesOptions
from drivers.declared.serial.line_codec import board_codec, host_codec
from drivers.declared.serial.line_options import DeclaredLinesOptions
from drivers.declared.serial.options import SerialOptions
from drivers.transport import Budget, WireLoad, serial_s

LONG = -12345.678  # value with a long text: sign, digits and decimals


def line_budget(options: DeclaredLinesOptions, period_s: float) -> tuple[Budget, ...]:
    """Return one budget for each direction; line lengths are for long numbers."""
    sent = _sizes(host_codec(options, Counters()), options.sent())
    received = {
        name: options.longest
        for name, line in options.lines.items()
        if line.pattern and not line.written
    }
    written = options.model_copy(
        update={
            "lines": {name: line for name, line in options.lines.items() if name not in received}
        }
    )
    received |= _sizes(board_codec(written, Counters()), written.received())
    if options.echo:
        received = {name: size + max(sent.values(), default=0) for name, size in received.items()}
    return _budgets(options, period_s, sent, received)


def frame_budget(options: DeclaredFramesOptions, period_s: float) -> tuple[Budget, ...]:
    """Return one budget for each direction."""
    sizes = _sizes(frame_codec(options, Counters()), options.sent())
    return _budgets(options, period_s, sizes, sizes)


def _sizes(codec: Codec, messages: Mapping[str, tuple[str, ...]]) -> dict[str, int]:
    for message, names in messages.items():
        for name in names:
            codec.set(message, name, LONG)
    return {message: len(codec.build(message)) for message in messages}


def _budgets(
    options: SerialOptions, period_s: float, sent: Mapping[str, int], received: Mapping[str, int]
) -> tuple[Budget, ...]:
    port = options.port

    def seconds(size: int) -> float:
        return serial_s(size, port.baud, port.bits_per_byte)

    there, back = WireLoad(), WireLoad()
    cyclic = {taken.target.partition(".")[0] for taken in options.takes.values()}
    cyclic |= {options.poll} if options.poll else set()
    for name in cyclic:
        there.each_cycle(seconds(sent[name]))
    heartbeat = options.heartbeat
    if heartbeat is not None and heartbeat.send not in cyclic:
        there.each(seconds(sent[heartbeat.send]), heartbeat.every)
    given = {given.source.partition(".")[0] for given in options.gives.values()}
    cadence, answered = options.cadence(), options.answered()
    for name, every in cadence.items():
        asked = answered.get(name) or options.poll
        if every is not None:
            back.each(seconds(received[name]), every)
        elif name in given and asked == options.poll:
            back.each_cycle(seconds(received[name]))
    words = f"at {port.baud} baud"
    both = (
        there.budget(period_s, f"to the board, {words}", "port.baud"),
        back.budget(period_s, f"from the board, {words}", "port.baud"),
    )
    return tuple(budget for budget in both if budget.share)
