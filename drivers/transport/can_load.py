"""Load of a CAN bus and, behind an adapter on a serial line, of that line in both directions."""

from __future__ import annotations

from typing import NamedTuple

from drivers.transport.can_bus import BusOptions
from drivers.transport.wire_budget import Budget, CanWire, WireLoad, serial_s

ACKNOWLEDGED = 2  # bytes that answer a sent frame: 'z' or 'Z', and CR


class FrameSize(NamedTuple):
    """Frame as far as its duration depends on it; ``switched``: data at the data bit rate."""

    data_bytes: int
    extended: bool = False
    fd: bool = False
    switched: bool = False

    @property
    def line_bytes(self) -> int:
        """Bytes of its line to or from an adapter: letter, identifier, length, data, CR."""
        return 1 + (8 if self.extended else 3) + 1 + 2 * self.data_bytes + 1


def line_baud(bus: BusOptions) -> tuple[float, str] | None:
    """Return the stated rate of an adapter's serial line and the key that states it.

    None without such a line, and if nothing is stated: most adapters ignore it, since their line
    is USB.
    """
    if bus.interface != "serial_line":
        return None
    _, at, rate = (bus.channel or "").rpartition("@")
    if at and rate.isdecimal() and int(rate) > 0:
        return float(rate), "bus.channel"
    given = bus.extra().get("tty_baudrate")
    if isinstance(given, int | float) and not isinstance(given, bool) and given > 0:
        return float(given), "bus.tty_baudrate"
    return None


class CanLoad:
    """Sum of the frames of a bus, and of their lines if an adapter's line has a stated rate."""

    def __init__(self, bus: BusOptions) -> None:
        self._wire = CanWire.of(bus.extra())
        self._bus = WireLoad()
        self._line = line_baud(bus)
        self._there, self._back = WireLoad(), WireLoad()

    def each_cycle(self, frame: FrameSize, sent: bool, every: float = 1.0) -> None:
        """Add a frame in every ``every``-th cycle; ``sent``: by this computer."""
        self._bus.each_cycle(self._wire.frame_s(*frame), every)
        there_s, back_s = self._lines_s(frame, sent)
        self._there.each_cycle(there_s, every)
        self._back.each_cycle(back_s, every)

    def each(self, frame: FrameSize, sent: bool, every_s: float) -> None:
        """Add a frame every ``every_s`` seconds."""
        self._bus.each(self._wire.frame_s(*frame), every_s)
        there_s, back_s = self._lines_s(frame, sent)
        self._there.each(there_s, every_s)
        self._back.each(back_s, every_s)

    def _lines_s(self, frame: FrameSize, sent: bool) -> tuple[float, float]:
        """Return the duration of a frame's lines to and from the adapter, in s."""
        if self._line is None:
            return 0.0, 0.0
        baud = self._line[0]
        line_s = serial_s(frame.line_bytes, baud)
        return (line_s, serial_s(ACKNOWLEDGED, baud)) if sent else (0.0, line_s)

    def budgets(self, period_s: float) -> tuple[Budget, ...]:
        """Return the budget of the bus, and those of the adapter's line, if known."""
        bus = self._bus.budget(period_s, self._wire.words)
        if self._line is None:
            return (bus,)
        baud, key = self._line
        words = f"at {baud:g} baud"
        return (
            bus,
            self._there.budget(period_s, f"lines to the adapter, {words}", key),
            self._back.budget(period_s, f"lines from the adapter, {words}", key),
        )
