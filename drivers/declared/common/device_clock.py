"""A board's own clock beside ours."""

from __future__ import annotations

DRIFT = 300e-6  # crystals differ by less than this, as a share
AHEAD_S = 0.05  # a stamp that much too early in our time: the board's clock has begun anew
BEHIND_S = 1.0  # one that much too late may still be a sample that was held up; not beyond


class DeviceClock:
    """Turns a board's time stamps into ``time.monotonic()``.

    A sample is received some while after it was measured, never before: over many samples the
    least difference between our clock at reception and the board's stamp is the offset of the
    two clocks plus the shortest delay there is. So jitter of the wire and of this computer does
    not get into the times; a delay that is always there does (it is to be declared). The least
    difference is let rise slowly, as the clocks drift apart.
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
        if step > self._modulo // 2:  # backwards: an old stamp, or begun anew
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
