"""Quantities that the supervisor follows from sample to sample: filters, lines, timers."""

from __future__ import annotations

import math
from typing import Final

from hil.control import Estimator
from hil.profile import Profile

RATE_FILTER_S: Final = 0.005  # a 12-bit count a cycle must not look like a blow
STANDING_M: Final = (
    0.0005  # outside a soft end, this much further out still counts as at rest there
)
# Times the tripped force disagreement: beyond it time counts by its square, so that a sensor of
# the wrong sign, whose oscillation crosses the limit only briefly, is detected before it builds
# up. No healthy lockstep session came near 1.
GROSS_TIMES: Final = 1.5
WATCHED_S: Final = 0.3  # over which the mean speed of the nut is taken before power on


class ForceRate:
    """Filtered rate of the spring force.

    Attributes:
        rate_N_s: rate of the latest sample.
    """

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Restart at the next sample."""
        self.rate_N_s = 0.0
        self._last_N = math.nan

    def follow(self, force: float, step_s: float) -> None:
        """Take the force of a sample, ``step_s`` after the previous one."""
        if step_s > 0.0:
            rate = (force - self._last_N) / step_s
            self._last_N = force
            if -1e12 < rate < 1e12:
                self.rate_N_s += (rate - self.rate_N_s) * step_s / (RATE_FILTER_S + step_s)


class SupplyFilter:
    """Filtered DC-link voltage.

    Attributes:
        volts: supply voltage of the latest sample; NaN while none was reported.
    """

    def __init__(self, profile: Profile) -> None:
        self._filter_s = profile.limits.supply.filter
        self.volts = math.nan

    def follow(self, volts: float, step_s: float) -> None:
        """Take the voltage of a sample, ``step_s`` after the previous one."""
        if not -1e6 < volts < 1e6:
            return  # not reported
        if not self.volts > -1e6:
            self.volts = volts
            return
        self.volts += (volts - self.volts) * step_s / (self._filter_s + step_s)


class TravelLines:
    """Lines that the output must not cross: they follow it in, never out.

    Attributes:
        low_m, high_m: their present positions.
    """

    def __init__(self, profile: Profile) -> None:
        travel = profile.limits.travel
        self._low = self.low_m = travel.lower - travel.tripped_beyond
        self._high = self.high_m = travel.upper + travel.tripped_beyond

    def follow(self, position: float, energised: bool) -> None:
        """Take the output's position in m; without power the lines start there."""
        low, high = position - STANDING_M, position + STANDING_M
        if energised:
            if low < self.low_m:
                low = self.low_m
            if high > self.high_m:
                high = self.high_m
        self.low_m = low if low < self._low else self._low
        self.high_m = high if high > self._high else self._high


class Disagreement:
    """Time for which spring and motor force have differed beyond ``limits.disagreement``.

    Attributes:
        tripped_N, lasting_s: value and duration that trip the limit.
    """

    def __init__(self, profile: Profile) -> None:
        limit = profile.limits.disagreement
        self.tripped_N, self.lasting_s = limit.tripped, limit.lasting
        self._parted_s = 0.0

    def rest(self) -> None:
        """Restart the timer."""
        self._parted_s = 0.0

    @property
    def stands(self) -> bool:
        """True if they have differed for too long."""
        return self._parted_s >= self.lasting_s

    def look(self, estimator: Estimator, force: float) -> bool:
        """Take the newest sample; return whether the forces have differed for too long."""
        # Counted down as it is counted up, so that an oscillation cannot hide in the timer.
        step = estimator.step_s
        parted = estimator.motor_force_N - force
        parted = (parted if parted >= 0.0 else -parted) - estimator.motor_force_band_N
        if parted > self.tripped_N:
            times = parted / self.tripped_N
            self._parted_s += step * times * times if times > GROSS_TIMES else step
            if self._parted_s >= self.lasting_s:
                return True
        elif self._parted_s > 0.0:
            self._parted_s -= step
        return False


class MeanNutSpeed:
    """Mean speed of the nut over ``WATCHED_S``.

    Attributes:
        speed_m_s: speed of the last whole window.
    """

    def __init__(self) -> None:
        self._from_m = math.nan
        self._time_s = self.speed_m_s = 0.0

    def follow(self, nut_position: float, step_s: float) -> None:
        """Take the position in m of a sample, ``step_s`` after the previous one."""
        self._time_s += step_s
        if self._time_s >= WATCHED_S:
            moved = nut_position - self._from_m
            self.speed_m_s = moved / self._time_s if moved == moved else 0.0
            self._from_m = nut_position
            self._time_s = 0.0

    def shift(self, shift_m: float) -> None:
        """Follow a shift of zero."""
        self._from_m += shift_m
