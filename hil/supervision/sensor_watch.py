"""Watch over the two position sensors: rail, jump, frozen, not a number, lost reference.

The deflection sensor is frozen if its counts do not change while the nut moves, or if its own
noise, learned at rest, is missing for longer than chance allows.
"""

from __future__ import annotations

import math

from drivers.base import PowerStage, Telemetry
from hil.core import Limit
from hil.profile import Profile
from hil.supervision.resting_noise import RestingNoise

# The nut cannot move faster than this multiple of the speed that trips; counts that do
# have restarted or slipped.
IMPOSSIBLE_SPEED = 4.0
IMPOSSIBLE_STEP_M = 1e-4


class SensorWatch:
    """One ``look`` a cycle, energised or not; the causes it returns stand until they pass.

    Attributes:
        reference_lost: a sentence once the motor sensor jumped by more than the nut can
            move: positions are worth nothing until the rig host starts anew. '' otherwise.
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
        self._counts = math.nan
        self._counts_age = 0.0
        self._missed_s = 0.0
        self._nut = math.nan
        self._nut_missed_s = 0.0
        self._nut_age = 0.0
        self._noise_off, self._noise_on = RestingNoise(), RestingNoise()
        self._noise = self._noise_off
        self.reset()

    def reset(self) -> None:
        """Begin the timed checks anew. A lost reference, and noise that is known, stay."""
        self._still_samples = 0
        self.rail_s = 0.0
        self.still_s = 0.0
        self.still_travel_m = 0.0
        self._still_from = self._nut
        self.jump_counts = 0.0

    def look(self, telemetry: Telemetry, nut_position_m: float, dt: float) -> int:
        """0 or the ``Limit`` that stands now."""
        counts = telemetry.deflection_counts
        before = self._counts
        self._counts = counts
        if not -1e9 < counts < 1e9:  # NaN included
            self.jump_counts = math.inf
            return Limit.SENSOR_JUMP

        # A value that was not renewed cannot jump; the next one covers the gap as well.
        age = telemetry.deflection_age_s
        grown = age - self._counts_age
        self._counts_age = age
        renewed = grown <= 0.5 * self._period
        if not renewed:
            self._missed_s += dt
            allowed = self._jump_counts
        else:
            allowed = self._jump_counts * max(1.0, (self._missed_s + dt) / self._period)
            self._missed_s = 0.0
        jump = counts - before
        jumped = jump > allowed or jump < -allowed
        if jumped:
            self.jump_counts = jump

        if counts <= self._low_rail or counts >= self._high_rail:
            self.rail_s += dt
        else:
            self.rail_s = 0.0

        noise = self._noise_on if telemetry.power is PowerStage.ON else self._noise_off
        if noise is not self._noise:
            self._noise = noise
            noise.leave()
            self._still_samples = 0
        if counts != before or not -1e3 < self._still_from < 1e3:
            noise.take(counts, self._still_samples)
            self._still_samples = 0
            self.still_s = 0.0
            self.still_travel_m = 0.0
            self._still_from = nut_position_m
        else:
            if renewed:
                self._still_samples += 1
            self.still_s += dt
            travel = abs(nut_position_m - self._still_from)
            if travel > self.still_travel_m:
                self.still_travel_m = travel

        if not self.reference_lost:
            self._follow_reference(telemetry, nut_position_m, dt)

        if jumped:
            return Limit.SENSOR_JUMP
        if self.rail_s >= self._rail_lasting and self.rail_s > 0.0:
            return Limit.SENSOR_RAIL
        if self.still_s >= self._frozen_lasting and self.still_travel_m > self._frozen_travel:
            return Limit.SENSOR_FROZEN
        if self._still_samples > noise.allowed:
            return Limit.SENSOR_FROZEN
        return 0

    def _follow_reference(self, telemetry: Telemetry, nut: float, dt: float) -> None:
        before = self._nut
        self._nut = nut
        age = telemetry.age_s
        grown = age - self._nut_age
        self._nut_age = age
        if grown > 0.5 * self._period:
            self._nut_missed_s += dt
            return
        covered = self._nut_missed_s + dt
        self._nut_missed_s = 0.0
        step = abs(nut - before)
        if step > IMPOSSIBLE_STEP_M + self._impossible * covered:
            self.reference_lost = (
                f"the nut position jumped by {1e3 * step:.1f} mm within {1e3 * covered:.0f} ms: "
                "the motor sensor's counts have restarted or slipped"
            )

    def shift_positions(self, shift_m: float) -> None:
        """Follow a zero that was moved by ``shift_m``."""
        self._nut += shift_m
        self._still_from += shift_m

    def missed(self, dt: float) -> None:
        """A cycle without a fresh sample: the next change covers it as well."""
        self._missed_s += dt
        self._nut_missed_s += dt

    def text(self, limit: int, counts: float) -> str:
        """One sentence with numbers for a cause that ``look`` returned."""
        if limit == Limit.SENSOR_JUMP:
            if math.isinf(self.jump_counts):
                return f"the deflection sensor reads {counts}, which is no number of counts"
            return (
                f"the deflection sensor jumped by {self.jump_counts:+.0f} counts in one cycle, "
                f"above {self._jump_counts:.0f}"
            )
        if limit == Limit.SENSOR_RAIL:
            return (
                f"the deflection sensor stands at {counts:.0f} of 0 to {self.top:.0f} counts, at "
                f"the end of its range, for {1e3 * self.rail_s:.0f} ms"
            )
        if self._still_samples > self._noise.allowed:
            return (
                f"the deflection sensor did not change by one count for "
                f"{1e3 * self.still_s:.0f} ms, although its noise at rest was {self._noise.noise:.2g} "
                f"counts or more: by chance it is still for {self._noise.allowed:.0f} samples at most"
            )
        return (
            f"the deflection sensor did not change by one count for {1e3 * self.still_s:.0f} ms "
            f"while the nut moved {1e3 * self.still_travel_m:.1f} mm"
        )
