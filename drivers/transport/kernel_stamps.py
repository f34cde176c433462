"""Reception times by the kernel's stamps (``SO_TIMESTAMPNS``), on the monotonic clock.

The kernel stamps a packet when it arrives, by the wall clock. A process that was delayed reads it
later, and would take the delay for the packet's. The wall clock may be set meanwhile; the
monotonic clock, on which samples are timed, cannot.
"""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Callable

import can

SO_TIMESTAMPNS = 35  # Linux, asm-generic/socket.h
STAMP = struct.Struct("@qq")  # struct timespec: s, ns
ANCILLARY = socket.CMSG_SPACE(STAMP.size) if hasattr(socket, "CMSG_SPACE") else 0
SECOND_NS = 1_000_000_000
# A change of the difference of both clocks beyond this is a step: a clock that is corrected
# gradually gains 0.5 ms in a second at most (adjtime).
STEP_NS = 100_000
TRIES = 8  # to read both clocks without being interrupted


class StampedFrame(can.Message):
    """Frame with the time of its arrival.

    Attributes:
        received_s: time of reception by ``time.monotonic()``.
    """

    __slots__ = ("received_s",)

    received_s: float


class StampClock:
    """Times of the monotonic clock for stamps of the wall clock.

    While a packet waited, the wall clock may have been set. Its stamp then means nothing, and the
    time at which it was read is returned, as without stamps. Times never decrease.
    """

    def __init__(
        self,
        monotonic_ns: Callable[[], int] = time.monotonic_ns,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._wall_ns = wall_ns
        self._offset_ns = self._differ(STEP_NS)[1]
        # Stamps of an earlier moment may be of the wall clock before it was set.
        self._sure_ns = self._last_ns = monotonic_ns()

    def monotonic_s(self, stamp_ns: int) -> float:
        """Return the time in s at which a packet with this stamp, just read, arrived."""
        now_ns, offset_ns = self._differ(STEP_NS, self._offset_ns)
        if abs(offset_ns - self._offset_ns) > STEP_NS:
            self._sure_ns = now_ns
        self._offset_ns = offset_ns
        arrived_ns = stamp_ns + offset_ns
        if not self._sure_ns <= arrived_ns <= now_ns:
            arrived_ns = now_ns
        self._last_ns = max(self._last_ns, arrived_ns)
        return 1e-9 * self._last_ns

    def now_s(self) -> float:
        """Return the present time, for a packet without a stamp."""
        self._last_ns = max(self._last_ns, self._monotonic_ns())
        return 1e-9 * self._last_ns

    def _differ(self, most_ns: int, expected_ns: int | None = None) -> tuple[int, int]:
        """Return the time, and by how much the monotonic clock is ahead of the wall clock.

        An interruption between the two readings would look like a step.
        """
        best = (SECOND_NS, 0, 0)
        for _ in range(TRIES):
            before = self._monotonic_ns()
            wall = self._wall_ns()
            now = self._monotonic_ns()
            offset = (before + now) // 2 - wall
            best = min(best, (now - before, now, offset))
            if expected_ns is None or abs(offset - expected_ns) <= most_ns:
                return now, offset
        return best[1:]


def stamp_receptions(connection: socket.socket) -> bool:
    """Request stamps for the packets of a socket; return whether the system grants them."""
    try:
        connection.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    except (OSError, AttributeError):
        return False
    return True


def receive_stamped(
    connection: socket.socket, size: int, clock: StampClock
) -> tuple[bytes, int, float]:
    """Return a waiting packet, its flags and the time of its arrival; never wait.

    Raises:
        BlockingIOError: none waits.
        OSError: the socket is lost.
    """
    packet, extra, flags, _ = connection.recvmsg(size, ANCILLARY, socket.MSG_DONTWAIT)
    for level, kind, data in extra:
        if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS and len(data) >= STAMP.size:
            seconds, ns = STAMP.unpack_from(data)
            return packet, flags, clock.monotonic_s(seconds * SECOND_NS + ns)
    return packet, flags, clock.now_s()
