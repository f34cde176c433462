"""Watch over the two position sensors: rail, jump, frozen, not a number, lost reference.

The deflection sensor is frozen if its counts do not change while the nut moves, or if its own
noise, learned at rest, is missing for longer than chance allows. It jumped if it changed by more
than nut and output can move in that time.
"""

from __future__ import annotations

import math
from typing import Final

from drivers.base import PowerStage, Telemetry
from drivers.motion import LENGTH
from hil.control import Estimator
from hil.core import Limit
from hil.profile import Profile
from hil.supervision.resting_noise import RestingNoise

# Looked up once: by its class, a member costs several look-ups in each cycle.
_POWER_ON: Final = PowerStage.ON

# The nut cannot move faster than this multiple of the tripped speed; counts that do
# have restarted or slipped.
IMPOSSIBLE_SPEED: Final = 4.0
LONGEST_GAP_S: Final = 0.02  # across a longer gap nothing is expected of the deflection
IMPOSSIBLE_STEP_M: Final = 1e-4
# A deflection jump by less force than this share of the limit is harmless; noise of many times
# the stated value is not a jump.
JUMP_SHARE: Final = 0.04
JUMP_NOISES: Final = 10.0
ACCELERATION_M_S2: Final = 60.0  # of the nut by peak torque and of a light output by the springs
ROUNDING_S: Final = 1e-9  # of times that are differences of large ones
BOUNCE: Final = 2.0  # change of speed over speed
SLACK_ERRORS: Final = 2.0  # standard deviations of a sample's time
# Samples without a change, rare with such noise in counts.
LIKELY_SAMPLES: Final = 10
LIKELY_NOISE: Final = 0.5


class SensorWatch:
    """Watch over both sensors; one ``look`` a cycle, energised or not; a cause lasts until it passes.

    Attributes:
        reference_lost: a sentence once the motor sensor jumped by more than the nut can
            move: positions are invalid until the rig host restarts. '' otherwise.
        displaced: a sentence once the deflection jumped without power and stays there; '' once
            it has jumped back, or after ``reset``.
    """

    def __init__(self, profile: Profile, period_s: float) -> None:
        limits = profile.limits
        sensor = profile.sensors.deflection
        self._period = period_s
        self.top = float((1 << sensor.bits) - 1)
        self._low_rail = float(sensor.rail_margin)
        self._high_rail = self.top - sensor.rail_margin
        self._rail_lasting = limits.sensor_rail
        self._jump_counts = limits.sensor_jump.counts
        self._frozen_lasting = limits.sensor_frozen.lasting
        self._frozen_travel = limits.sensor_frozen.nut_travel
        self._impossible = IMPOSSIBLE_SPEED * limits.speed.tripped
        self.reference_lost = ""
        self._per_m = 1.0 / abs(profile.calibration.deflection_per_count)
        least_m = JUMP_SHARE * limits.force.limited / (2.0 * profile.actuator.springs.rate_per_set)
        self._jump_floor = max(self._per_m * least_m, JUMP_NOISES * sensor.noise)
        self._noisy = sensor.noise >= LIKELY_NOISE
        self._sign = math.copysign(1.0, profile.calibration.deflection_per_count)
        self._taken_s = math.nan
        self._rate = self._speeds = self._error_s = 0.0  # counts/s, and s
        self._counts = math.nan
        self._nut = math.nan
        self._noise_off, self._noise_on = RestingNoise(), RestingNoise()
        self._noise = self._known = self._noise_off
        self.reset()

    def reset(self) -> None:
        """Restart the timed checks. A lost reference and known noise stay."""
        self._still_samples = 0
        self.rail_s = 0.0
        self.still_s = 0.0
        self.still_travel_m = 0.0
        self._still_from = self._nut
        self.jump_counts = 0.0
        self._jump_allowed = self._jump_counts
        self.displaced = ""
        self._displaced_counts = 0.0

    def look(self, telemetry: Telemetry, estimator: Estimator) -> int:
        """Return 0 or the ``Limit`` tripped now."""
        nut_position_m = estimator.nut_position_m
        counts = telemetry.deflection_counts
        before = self._counts
        self._counts = counts
        if not -1e9 < counts < 1e9:  # NaN included
            self.jump_counts = math.inf
            return Limit.SENSOR_JUMP

        # A repeated value cannot jump; the next one covers the gap as well.
        gap = self._gap(telemetry)
        slack_s = SLACK_ERRORS * (telemetry.time_error_s + self._error_s)
        self._error_s = telemetry.time_error_s
        jumped = self._jumped(telemetry, estimator, counts - before, gap, slack_s)
        if counts <= self._low_rail or counts >= self._high_rail:
            self.rail_s += gap
        else:
            self.rail_s = 0.0
        self._follow_stillness(telemetry, counts != before, gap, nut_position_m)
        self._follow_reference(nut_position_m, estimator.step_s + slack_s)

        if jumped:
            return Limit.SENSOR_JUMP
        if self.rail_s >= self._rail_lasting and self.rail_s > 0.0:
            return Limit.SENSOR_RAIL
        return Limit.SENSOR_FROZEN if self._frozen(telemetry) else 0

    def _jumped(
        self, telemetry: Telemetry, estimator: Estimator, jump: float, gap: float, slack_s: float
    ) -> bool:
        """Return whether the counts changed by more than the rig can have moved in ``gap``."""
        covered = (gap if gap > self._period else self._period) + slack_s
        allowed = self._jump_counts * covered / self._period
        jumped = jump > allowed or jump < -allowed
        if not jumped and gap > 0.0 and self._jump_counts < self.top:
            jumped, allowed = self._implausible(estimator, jump, gap, slack_s)
        if jumped:
            self.jump_counts, self._jump_allowed = jump, allowed
            if telemetry.power is not _POWER_ON:
                self._displace(jump, allowed, self._counts)
        return jumped

    def _follow_stillness(
        self, telemetry: Telemetry, changed: bool, gap: float, nut_position_m: float
    ) -> None:
        """Learn the noise of counts that change; measure time and travel of those that do not."""
        noise = self._noise_on if telemetry.power is _POWER_ON else self._noise_off
        if noise is not self._noise:
            self._noise = noise
            noise.leave()
            self._still_samples = 0
        if changed or not -1e3 < self._still_from < 1e3:
            noise.take(self._counts, self._still_samples)
            self._still_samples = 0
            self.still_s = 0.0
            self.still_travel_m = 0.0
            self._still_from = nut_position_m
            return
        if gap > 0.0:
            self._still_samples += 1
        self.still_s += gap
        travel = abs(nut_position_m - self._still_from)
        if travel > self.still_travel_m:
            self.still_travel_m = travel

    def _frozen(self, telemetry: Telemetry) -> bool:
        """Return whether counts are still though the nut moves, or longer than chance allows."""
        if self.still_s >= self._frozen_lasting and self.still_travel_m > self._frozen_travel:
            return True
        noise = self._noise
        # Power adds to noise and takes none away.
        if telemetry.power is _POWER_ON and not noise.learned:
            noise = self._noise_off
        self._known = noise
        return self._still_samples > noise.allowed

    def _displace(self, jump: float, allowed: float, counts: float) -> None:
        """Remember a jump until the reading is back: with power on every force would be off by it."""
        self._displaced_counts += jump
        back = -allowed <= self._displaced_counts <= allowed
        self.displaced = "" if back else self.text(Limit.SENSOR_JUMP, counts)

    @property
    def frozen_likely(self) -> bool:
        """True if a force difference already seen is that of a frozen sensor."""
        if self._still_samples < LIKELY_SAMPLES:
            return False
        known = self._known
        return known.noise >= LIKELY_NOISE if known.learned else self._noisy

    def _gap(self, telemetry: Telemetry) -> float:
        """Return the time in s between the previous reading and this one."""
        taken_s = telemetry.deflection_time_s
        if not taken_s > 0.0:
            taken_s = telemetry.time_s
        gap = taken_s - self._taken_s
        self._taken_s = taken_s
        if -ROUNDING_S < gap - self._period < ROUNDING_S:
            return self._period
        return gap if gap > 0.0 else 0.0

    def _implausible(
        self, estimator: Estimator, jump: float, gap: float, slack_s: float
    ) -> tuple[bool, float]:
        """Return whether nut and output cannot have moved so far, and how far they can.

        Either may stop at once, at a wall or in a jam, or bounce back as fast as it came.
        """
        rate, speeds = self._rate, self._speeds
        self._rate = self._sign * self._per_m * estimator.deflection_rate_m_s
        self._speeds = self._per_m * (
            abs(estimator.nut_velocity_m_s) + abs(estimator.output_velocity_m_s)
        )
        if not 0.0 < gap < LONGEST_GAP_S:
            return False, self._jump_counts
        most_s = gap + slack_s
        allowed = self._jump_floor + BOUNCE * speeds * (most_s + self._period)
        allowed += 0.5 * self._per_m * ACCELERATION_M_S2 * most_s * most_s
        return abs(jump - rate * gap) > allowed, allowed + abs(rate) * gap

    def _follow_reference(self, nut: float, covered: float) -> None:
        """Lose the reference if the nut moved by more than it can within ``covered`` seconds."""
        before = self._nut
        self._nut = nut
        if self.reference_lost:
            return  # still followed: once found again, it must not jump from where it was lost
        step = abs(nut - before)
        if step > IMPOSSIBLE_STEP_M + self._impossible * covered:
            self.reference_lost = (
                f"the nut position jumped by {LENGTH(step):.1f}{LENGTH} within {1e3 * covered:.0f} ms: "
                "the motor sensor's counts have restarted or slipped"
            )

    def shift_positions(self, shift_m: float) -> None:
        """Follow a shift of zero by ``shift_m``."""
        self._nut += shift_m
        self._still_from += shift_m

    def text(self, limit: int, counts: float) -> str:
        """Return one sentence with numbers for a cause that ``look`` returned."""
        if limit == Limit.SENSOR_JUMP:
            if math.isinf(self.jump_counts):
                return f"the deflection sensor reads {counts}, which is not a number of counts"
            return (
                f"the deflection sensor jumped by {self.jump_counts:+.0f} counts in one cycle, "
                f"above {self._jump_allowed:.0f}"
            )
        if limit == Limit.SENSOR_RAIL:
            return (
                f"the deflection sensor has been at {counts:.0f} of 0 to {self.top:.0f} counts, "
                f"the end of its range, for {1e3 * self.rail_s:.0f} ms"
            )
        noise = self._known
        if self._still_samples > noise.allowed:
            return (
                f"the deflection sensor did not change by one count for "
                f"{1e3 * self.still_s:.0f} ms, although its noise at rest was {noise.noise:.2g} "
                f"counts or more: by chance it is still for {noise.allowed:.0f} samples at most"
            )
        return (
            f"the deflection sensor did not change by one count for {1e3 * self.still_s:.0f} ms "
            f"while the nut moved {LENGTH(self.still_travel_m):.1f}{LENGTH}"
        )
