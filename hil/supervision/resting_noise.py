"""Noise of the deflection sensor at rest, and the time for which it can be absent by chance.

Noise is learned from second differences, which motion at constant speed leaves alone, in blocks
in which the counts stay in place. The quietest block counts, separately with power on and off,
since power electronics add noise.
"""

from __future__ import annotations

import math
from typing import Final

BLOCK: Final = 250  # samples; the mean square of their second differences scatters by about 15 %
BLOCKS: Final = 4  # before the statistics are believed
# Span of a block in standard deviations, up to which it was at rest: normal noise spans 6 in
# 250 samples.
SPAN_SIGMAS: Final = 8.0
SPAN_STEPS: Final = 2.0
# Rounding to steps adds at most 1/4 to a variance in steps, just where two steps meet; if the
# noise is only that of a toggling step, another position is quiet.
ROUNDING: Final = 0.25
PER_SECOND_DIFFERENCE: Final = (
    1 / 6
)  # variance of white noise from the mean square of second differences
LOG_CHANCE: Final = math.log(1e-9)
LONGEST_TIMES: Final = 3  # of the longest stillness learned: noise need not be white
LEAST_SAMPLES: Final = 20
NEVER: Final = math.inf


class RestingNoise:
    """Statistics of one state of the power stage.

    Attributes:
        allowed: equal samples in a row that chance allows; ``NEVER`` if the sensor is too quiet,
            or not known yet.
        noise: lower bound of the standard deviation, counts.
    """

    def __init__(self) -> None:
        self.allowed = NEVER
        self.noise = 0.0
        self._quietest = NEVER
        self._noise_step = 1.0
        self._blocks = self._longest = 0
        self._last = self._change = math.nan
        self._begin()

    @property
    def learned(self) -> bool:
        """True if the statistics are believed."""
        return self._blocks >= BLOCKS

    def _begin(self) -> None:
        self._taken = 0
        self._sum = 0.0
        self._step = self._low = NEVER
        self._high = -NEVER
        self._longest_here = 0

    def leave(self) -> None:
        """Discard the current block: the next sample does not follow the last."""
        self._last = self._change = math.nan
        self._begin()

    def take(self, counts: float, still: int) -> None:
        """Take a sample that changed, after ``still`` that were equal to the previous one."""
        change = counts - self._last
        before = self._change
        self._last, self._change = counts, change
        if change != change:
            return  # the first
        if before == before:
            if still:
                self._sum += before * before + change * change
            else:
                self._sum += (change - before) * (change - before)
            self._taken += still + 1
            if still > self._longest_here:
                self._longest_here = still
        size = change if change >= 0.0 else -change
        if 0.0 < size < self._step:
            self._step = size
        if counts < self._low:
            self._low = counts
        if counts > self._high:
            self._high = counts
        if self._taken >= BLOCK:
            self._close()

    def _close(self) -> None:
        step = self._step
        variance = PER_SECOND_DIFFERENCE * self._sum / self._taken / (step * step)
        span = (self._high - self._low) / step
        if span <= SPAN_SIGMAS * math.sqrt(variance) + SPAN_STEPS:
            self._blocks += 1
            self._longest = max(self._longest, self._longest_here)
            if variance < self._quietest:
                self._quietest = variance
                self._noise_step = step
            if self.learned:
                self._renew()
        self._begin()

    def _renew(self) -> None:
        certain = self._quietest - ROUNDING
        sigma = math.sqrt(certain) if certain > 0.0 else 0.0
        self.noise = sigma * self._noise_step
        # The likeliest reading, in the middle of a step, has this share of all.
        share = math.erf(0.5 / (sigma * math.sqrt(2))) if certain > 0.0 else 1.0
        if share >= 1.0:
            self.allowed = NEVER
            return
        by_chance = LOG_CHANCE / math.log(share) if share > 0.0 else 0.0
        self.allowed = max(by_chance, LONGEST_TIMES * self._longest, LEAST_SAMPLES)
