"""Receive the messages of a board, sending nothing that could move it.

A protocol that can be monitored has a method ``bus_monitor`` (:class:`Listenable`).
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

import can

from drivers.base import DriverError
from drivers.capture import wires
from drivers.transport.can_bus import BusOptions, open_bus

MOST_UNDECLARED = 200  # a babbling node must not fill the memory
GONE = (can.CanError, OSError)
DAMAGED = (ValueError, IndexError, KeyError)


@dataclass
class MessageStats:
    """One declared message and its receptions.

    Attributes:
        name: as declared. ``what``: identification on the wire, such as ``0x201``.
        every_s: declared interval, None if not declared.
        values: latest value and unit by signal or quantity.
        troubles: count of faulty receptions by kind.
        note: usual reason why it may be missing, if any.
    """

    name: str
    what: str
    every_s: float | None = None
    values: dict[str, tuple[float, str]] = field(default_factory=dict)
    troubles: dict[str, int] = field(default_factory=dict)
    note: str = ""
    count: int = 0
    first_s: float = 0.0
    last_s: float = -math.inf
    _mean: float = 0.0
    _squares: float = 0.0
    longest_s: float = 0.0

    def received(self, now_s: float) -> None:
        """Count a valid reception."""
        self.count += 1
        if self.count == 1:
            self.first_s = now_s
        else:
            interval = now_s - self.last_s
            # Mean and spread in one pass (Welford 1962).
            off = interval - self._mean
            self._mean += off / (self.count - 1)
            self._squares += off * (interval - self._mean)
            self.longest_s = max(self.longest_s, interval)
        self.last_s = now_s

    @property
    def rate_Hz(self) -> float:
        """Mean rate; NaN before the second message."""
        lasted = self.last_s - self.first_s
        return (self.count - 1) / lasted if self.count > 1 and lasted > 0 else math.nan

    @property
    def jitter_s(self) -> float:
        """Standard deviation of the intervals; NaN before the third message."""
        return math.sqrt(self._squares / (self.count - 2)) if self.count > 2 else math.nan

    def as_data(self, now_s: float) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "name": self.name,
            "what": self.what,
            "count": self.count,
            "rate_Hz": self.rate_Hz,
            "declared_rate_Hz": 1.0 / self.every_s if self.every_s else None,
            "jitter_ms": 1e3 * self.jitter_s,
            "longest_interval_ms": 1e3 * self.longest_s if self.count > 1 else math.nan,
            "age_ms": 1e3 * (now_s - self.last_s) if self.count else math.nan,
            "values": {
                name: {"value": value, "unit": unit} for name, (value, unit) in self.values.items()
            },
            "troubles": {kind: count for kind, count in self.troubles.items() if count},
            "note": self.note,
        }


@dataclass
class Undeclared:
    """Received data that is not in the description."""

    what: str
    count: int = 0
    size: int = 0  # bytes of the latest
    last: bytes = b""


class BusMonitor(Protocol):
    """Monitor of one wire.

    Attributes:
        declared: every declared message that the board sends.
        undeclared: messages that the profile does not declare, by identification.
        polling: messages sent while listening, as text; empty for none.
    """

    declared: list[MessageStats]
    undeclared: dict[str, Undeclared]
    polling: str

    def open(self) -> None:
        """Open the wire. Raises ``DriverError``."""

    def turn(self, until_s: float) -> None:
        """Listen until then (monotonic). Raises ``DriverError``: the wire was lost."""

    def close(self) -> None:
        """Release the wire. Never raises."""


@runtime_checkable
class Listenable(Protocol):
    """A protocol (``drivers.base.WireProtocol``) whose board can be monitored."""

    def bus_monitor(self, options: Any, period_s: float) -> tuple[BusMonitor, ...]:
        """Return one monitor for each wire; any poll is sent once a period."""


Take = Callable[[can.Message, float], None]


class CanMonitor:
    """See :class:`BusMonitor`; ``takes`` holds the handlers by identifier and its length."""

    def __init__(
        self,
        bus: BusOptions,
        declared: list[MessageStats],
        takes: Mapping[tuple[int, bool], Take],
        poll: Callable[[], can.Message] | None = None,
        period_s: float = 0.001,
        polling: str = "",
    ) -> None:
        self.declared = declared
        self.undeclared: dict[str, Undeclared] = {}
        self.polling = polling
        self._options = bus
        self._takes = takes
        self._poll = poll
        self._period_s = period_s
        self._next_poll_s = 0.0
        self._bus: can.BusABC | None = None

    def open(self) -> None:
        """See ``BusMonitor``."""
        options = self._options
        self._bus = open_bus(options.interface, options.channel, options.extra())

    def turn(self, until_s: float) -> None:
        """See ``BusMonitor``."""
        bus = self._bus
        if bus is None:
            raise DriverError("the bus is not open")
        try:
            while (now := time.monotonic()) < until_s:
                wait = until_s - now
                if self._poll is not None:
                    if now >= self._next_poll_s:
                        self._next_poll_s = max(self._next_poll_s, now - self._period_s)
                        self._next_poll_s += self._period_s
                        bus.send(self._poll())
                    wait = min(wait, max(0.0, self._next_poll_s - now))
                try:
                    frame = bus.recv(wait)
                except DAMAGED:
                    continue
                if frame is not None:
                    self._take(frame, wires.received_at(frame))
        except GONE as error:
            raise DriverError(f"the bus was lost: {error}") from error

    def _take(self, frame: can.Message, now_s: float) -> None:
        take = self._takes.get((frame.arbitration_id, frame.is_extended_id))
        if take is not None and not frame.is_remote_frame and not frame.is_error_frame:
            take(frame, now_s)
            return
        what = (
            "error frame"
            if frame.is_error_frame
            else identifier_text(frame.arbitration_id, frame.is_extended_id)
        )
        if frame.is_remote_frame:
            what += " remote"
        if what not in self.undeclared and len(self.undeclared) >= MOST_UNDECLARED:
            what = "others"
        seen = self.undeclared.setdefault(what, Undeclared(what))
        seen.count += 1
        seen.size = frame.dlc
        seen.last = bytes(frame.data)

    def close(self) -> None:
        """See ``BusMonitor``."""
        bus, self._bus = self._bus, None
        if bus is not None:
            try:
                bus.shutdown()
            except Exception:
                return


def identifier_text(identifier: int, extended: bool) -> str:
    """Return ``0x201``, or ``0x00000201`` for 29 bits."""
    return f"0x{identifier:08X}" if extended else f"0x{identifier:03X}"
