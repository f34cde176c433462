"""Worst-case load of each wire by the declared exchange, and its highest rate."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol, runtime_checkable

USUAL_BIT_RATE = 1_000_000
WARN_SHARE = 0.70
REFUSE_SHARE = 0.95


@dataclass(frozen=True)
class Budget:
    """Worst-case load of one wire.

    Attributes:
        share: share of the wire's time, 1 = full.
        what: basis of the computation, as text.
        fastest_rate_hz: cycles per second at which ``REFUSE_SHARE`` is just reached; infinite
            if the load does not depend on the cycle, 0 if it does not fit at any rate.
        key: key under ``drive`` in the profile, where the wire is described, such as ``bus``.
    """

    share: float
    what: str
    fastest_rate_hz: float
    key: str = "bus"


@runtime_checkable
class Budgeting(Protocol):
    """A protocol (``drivers.base.WireProtocol``) that can compute the load of its exchange."""

    def budgets(self, options: Any, period_s: float) -> tuple[Budget, ...]:
        """Return one for each wire of a drive with validated options at this cycle period."""


class WireLoad:
    """Sum of the load of one wire: per cycle, and at separate rates."""

    def __init__(self) -> None:
        self._cycle_s = 0.0
        self._fixed = 0.0

    def each_cycle(self, seconds: float, every: float = 1.0) -> None:
        """Add a load of ``seconds`` in every ``every``-th cycle."""
        self._cycle_s += seconds / every

    def each(self, seconds: float, every_s: float) -> None:
        """Add a load of ``seconds`` every ``every_s`` seconds."""
        if every_s > 0:
            self._fixed += seconds / every_s

    def budget(self, period_s: float, what: str, key: str = "bus") -> Budget:
        """Return the sum at this cycle period."""
        left = REFUSE_SHARE - self._fixed
        fastest = math.inf if self._cycle_s == 0 else max(0.0, left / self._cycle_s)
        if self._cycle_s == 0 and left < 0:
            fastest = 0.0
        return Budget(self._fixed + self._cycle_s / period_s, what, fastest, key)


def worst_frame_bits(data_bytes: int, extended: bool = False) -> int:
    """Return the bits of a classic data frame with most stuff bits, interframe space included.

    g + 8s + 13 + ⌊(g + 8s − 1)/4⌋ with g = 34, or 54 for 29-bit identifiers (Davis, Burns,
    Bril, Lukkien: Controller Area Network (CAN) schedulability analysis, Real-Time Systems 35,
    2007).

    Raises:
        ValueError: not 0 to 8 data bytes.
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classic CAN frame has 0 to 8 data bytes, not {data_bytes}")
    stuffed = (54 if extended else 34) + 8 * data_bytes
    return stuffed + 13 + (stuffed - 1) // 4


def worst_fd_bits(data_bytes: int, extended: bool = False) -> tuple[int, int]:
    """Return (bits at the arbitration bit rate, bits at the data bit rate) of a CAN FD data frame.

    The fields of ISO 11898-1:2015 (lengths from memory). At the rate of arbitration: start,
    identifier, RRS, IDE, FDF, res and BRS (17 bits, or 36 with SRR and 18 more bits of identifier),
    acknowledge, end of frame and interframe space (12). At the data rate: ESI, length and data
    (5 + 8s), stuff count, CRC of 17 or 21 bits with a fixed stuff bit before every fourth (27 or,
    from 17 bytes on, 32), its delimiter (1). From start to data, at worst one stuff bit comes after
    the first five bits and after every further four (as in Davis et al., 2007); one after BRS has
    the data rate.

    Raises:
        ValueError: not a CAN FD length.
    """
    if data_bytes not in (*range(9), 12, 16, 20, 24, 32, 48, 64):
        raise ValueError(f"a CAN FD frame cannot have {data_bytes} data bytes")
    head = 36 if extended else 17
    body = 5 + 8 * data_bytes
    stuff_in_head = (head - 2) // 4
    stuff = (head + body - 1) // 4
    check = 27 if data_bytes <= 16 else 32
    return head + stuff_in_head + 12, body + stuff - stuff_in_head + check + 1


@dataclass(frozen=True)
class CanWire:
    """A CAN bus by its options; worst-case duration of frames."""

    bit_rate: float
    data_bit_rate: float
    words: str

    @classmethod
    def of(cls, options: Mapping[str, Any]) -> CanWire:
        """Return the bus of python-can's options: ``bitrate`` and, for CAN FD, ``data_bitrate``."""
        given = options.get("bitrate")
        known = isinstance(given, int | float) and given > 0
        rate = float(given) if known and given is not None else float(USUAL_BIT_RATE)
        source = "from the profile" if known else "assumed"
        words = f"at {rate / 1e6:g} Mbit/s, {source}"
        fast = options.get("data_bitrate")
        if isinstance(fast, int | float) and fast > 0:
            return cls(rate, float(fast), f"{words}, data at {fast / 1e6:g} Mbit/s")
        return cls(rate, rate, words)

    def frame_s(
        self, data_bytes: int, extended: bool = False, fd: bool = False, switched: bool = False
    ) -> float:
        """Return the duration of a frame in s; ``switched``: data at the data bit rate."""
        if not fd:
            return worst_frame_bits(data_bytes, extended) / self.bit_rate
        slow, fast = worst_fd_bits(data_bytes, extended)
        return slow / self.bit_rate + fast / (self.data_bit_rate if switched else self.bit_rate)


def serial_s(size: int, baud: float, bits_per_byte: float = 10.0) -> float:
    """Return the duration of bytes on a serial line in s; 10 bits a byte: start, 8 data, stop."""
    return size * bits_per_byte / baud
