"""Share of the line that the cyclic exchange takes."""

from __future__ import annotations

from drivers.transport.wire_budget import Budget, WireLoad, serial_s
from hookeline_postern.frames import SIZE
from hookeline_postern.options import PosternOptions


def budgets(options: PosternOptions, period_s: float) -> tuple[Budget, ...]:
    """Return one budget for each direction: a request and a torque out, a state back."""
    port = options.port
    one = serial_s(SIZE, port.baud, port.bits_per_byte)
    there, back = WireLoad(), WireLoad()
    there.each_cycle(2 * one)
    there.each(one, options.host_heartbeat)
    back.each_cycle(one)
    words = f"at {port.baud} baud"
    return (
        there.budget(period_s, f"to the board, {words}", "port.baud"),
        back.budget(period_s, f"from the board, {words}", "port.baud"),
    )
