"""Watch over the motor's position against the integral of the drive's own velocity.

The two differ if an encoder slips on its shaft or loses counts and the drive takes its velocity
from another source: a second encoder, the rotor's field, its commutation sensor. A drive that
derives both from one encoder shows nothing here; one that reports no velocity is not watched.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.base import Telemetry
from drivers.motion import LENGTH
from hil.core import Limit
from hil.profile import Profile, position_following

VELOCITY_LAG_S: Final = (
    0.005  # delay and filter of a drive's velocity at most; common practice, no source
)
SCALE_SHARE: Final = 0.02  # scale error of a drive's velocity; common practice, no source
LIKELY_SHARE: Final = 0.3  # of the tripped value, if forces differ as well
LONGEST_GAP_S: Final = 0.02  # across a longer gap the velocity is not known


class PositionFollowing:
    """Watch over position following, by new samples; one ``look`` a cycle under power.

    Attributes:
        watched: the latest sample had a velocity.
        error_m: change of position less integral of velocity, at the nut, with the older
            parts forgotten over ``window`` seconds, beyond what a lagging velocity explains.
        limited: bit of ``Limit.POSITION_FOLLOWING`` while the error is above its limited value.
    """

    def __init__(self, profile: Profile) -> None:
        limit = position_following(profile)
        self._limited_m, self._tripped_m = limit.acts_from, limit.tripped
        self._window_s = limit.window
        self._per_rad = 1.0 / profile.actuator.radians_per_metre
        self.reset()

    def reset(self) -> None:
        """Restart at the next sample."""
        self.error_m = self._difference_m = self._mean_m_s = 0.0
        self.limited = 0
        self.watched = False
        self._at_s = self._position = self._velocity = math.nan
        self._slack_s = 0.0

    def look(self, telemetry: Telemetry) -> int:
        """Take this cycle's sample; return 0 or ``Limit.POSITION_FOLLOWING``."""
        at_s = telemetry.time_s
        dt = at_s - self._at_s
        if dt == 0.0:
            return 0
        velocity, position = telemetry.velocity_rad_s, telemetry.position_rad
        self.watched = velocity == velocity
        mean = 0.5 * (velocity + self._velocity)
        step = position - self._position - mean * dt
        # Errors of both sample times and of the scale explain this much.
        speed = mean if mean >= 0.0 else -mean
        slack = speed * (telemetry.time_error_s + self._slack_s + SCALE_SHARE * dt)
        self._at_s, self._position, self._velocity = at_s, position, velocity
        self._slack_s = telemetry.time_error_s
        self.limited = 0
        if not 0.0 < dt < LONGEST_GAP_S or step != step:
            return 0
        step = step - slack if step > slack else step + slack if step < -slack else 0.0
        kept = math.exp(-dt / self._window_s)
        self._difference_m = (self._difference_m + step * self._per_rad) * kept
        speed = velocity * self._per_rad
        self._mean_m_s = speed + (self._mean_m_s - speed) * kept
        # A lagging velocity misses this much of every change of speed.
        lag = VELOCITY_LAG_S * (speed - self._mean_m_s)
        low, high = (lag, 0.0) if lag < 0.0 else (0.0, lag)
        difference = self._difference_m
        self.error_m = (
            difference - high
            if difference > high
            else difference - low
            if difference < low
            else 0.0
        )
        error = self.error_m if self.error_m >= 0.0 else -self.error_m
        if error <= self._limited_m:
            return 0
        self.limited = 1 << Limit.POSITION_FOLLOWING
        return Limit.POSITION_FOLLOWING if error > self._tripped_m else 0

    @property
    def likely(self) -> bool:
        """True if a force difference already seen is that of a slipping sensor."""
        return abs(self.error_m) > LIKELY_SHARE * self._tripped_m

    def text(self) -> str:
        """Return one sentence with numbers."""
        return (
            f"the motor sensor's change of position and the drive's own velocity differ by "
            f"{LENGTH(abs(self.error_m)):.2f}{LENGTH} of nut travel, "
            + (
                f"above {LENGTH(self._tripped_m):.2f}{LENGTH}"
                if abs(self.error_m) > self._tripped_m
                else "and spring and motor force or a position outside the stroke show it as well"
            )
        )
