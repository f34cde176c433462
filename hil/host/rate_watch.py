"""Watch over the rate of the cycle: a computer that does not hold it is reported."""

from __future__ import annotations

import math

LOOK_S = 1.0
# Of the cycles of a second. A pause makes one cycle late, however long it is; where computing takes longer
# than the period, nearly all are.
LATE_SHARE = 0.5
LOWER_TO = 0.8  # of the rate that was reached; common practice, no source


class RateWatch:
    """Share of late cycles, second by second.

    Args:
        rate_hz: rate of the cycle.

    Attributes:
        behind: more than ``LATE_SHARE`` of the cycles of the last second were late.
    """

    def __init__(self, rate_hz: float) -> None:
        self.behind = False
        self._rate_hz = rate_hz
        self._last: tuple[float, int, int] | None = None

    def look(self, now_s: float, cycles: int, late: int) -> str:
        """Return a text for the operator when the rate is no longer held; otherwise empty.

        Args:
            now_s: time in s from any origin. cycles, late: numbers of all and of late cycles so far.
        """
        if self._last is None:
            self._last = (now_s, cycles, late)
            return ""
        past_s, ran, came_late = now_s - self._last[0], cycles - self._last[1], late - self._last[2]
        if past_s < LOOK_S:
            return ""
        self._last = (now_s, cycles, late)
        before, self.behind = self.behind, came_late > LATE_SHARE * ran
        if before or not self.behind:
            return ""
        reached = ran / past_s
        return (
            f"this computer does not hold {self._rate_hz:g} Hz: {reached:.0f} cycles came in a second, "
            f"{100 * came_late / ran:.0f} % of them late. Fix: lower control.rate to "
            f"{math.floor(LOWER_TO * reached)} Hz or less, compile the cycle ('hookeline compile'), or "
            "end other programs"
        )
