"""A board's own clock relative to the host's."""

from __future__ import annotations

DRIFT = 300e-6  # crystals differ by less than this, as a share
AHEAD_S = 0.05  # a stamp too early by this in host time: the board's clock was restarted
BEHIND_S = 1.0  # one too late by up to this may be a delayed sample


class DeviceClock:
    """Converter of a board's time stamps to ``time.monotonic()``.

    A sample is received after it was measured: over many samples the smallest difference between
    the host clock at reception and the board's stamp is the offset of the two clocks plus the
    shortest delay. So jitter of the wire and of this computer does not affect the times; a constant
    delay does (it must be declared). The smallest difference may rise slowly, as the clocks drift
    apart.
    """

    def __init__(self, tick_s: float, modulo: int) -> None:
        self._tick_s = tick_s
        self._modulo = modulo
        self._last_count: int | None = None
        self._elapsed = 0  # counts since the first stamp
        self._offset_s = 0.0
        self._at_s = 0.0

    def measured_s(self, count: int, received_s: float) -> float:
        """Return the time of measurement of a sample with this stamp; never after reception."""
        last, self._last_count = self._last_count, count % self._modulo
        if last is None:
            return self._begin(received_s)
        step = (count - last) % self._modulo
        if step > self._modulo // 2:  # backwards: an old stamp, or a restart
            return self._begin(received_s)
        self._elapsed += step
        stamp_s = self._elapsed * self._tick_s
        difference = received_s - stamp_s
        risen = self._offset_s + DRIFT * (received_s - self._at_s)
        self._at_s = received_s
        if step and not risen - AHEAD_S <= difference <= risen + BEHIND_S:
            return self._begin(received_s)
        self._offset_s = min(difference, risen)
        return min(stamp_s + self._offset_s, received_s)

    def _begin(self, received_s: float) -> float:
        self._elapsed = 0
        self._offset_s = self._at_s = received_s
        return received_s
