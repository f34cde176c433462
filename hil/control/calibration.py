"""Force from counts: sensor law, then spring law, both from the profile's calibration."""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import lru_cache
from typing import Final

from hil.profile import Calibration, DeflectionSensor, Polynomial, Profile, TwoSlopes

SOLVE_STEPS: Final = 60
SLIDING_STEPS: Final = 4  # two laws have up to three kinks on either side


class ForceCalibration:
    """Counts → deflection (m) → force (N), and back.

    A polynomial is continued beyond the sensor's span by its end slope, so that force stays
    monotonic where the fit has no data.
    """

    def __init__(self, calibration: Calibration, sensor: DeflectionSensor) -> None:
        self.zero_counts = calibration.zero
        self.per_count = calibration.deflection_per_count
        self.identity = calibration.identity
        sensor_table = calibration.sensor_table
        self._sensor_counts = [row[0] for row in sensor_table]
        self._sensor_m = [1e-3 * row[1] for row in sensor_table]
        self._u_force = [row[0] for row in calibration.uncertainty_table]
        self._u_values = [row[1] for row in calibration.uncertainty_table]
        self._u_absolute = calibration.absolute_uncertainty
        self._u_relative = calibration.relative_uncertainty
        law = calibration.spring_law
        self._reach = sensor.span / 2
        if isinstance(law, Polynomial):
            # Coefficients are stated against millimetres, as is usual.
            self._c: tuple[float, ...] = tuple(c * 1e3**i for i, c in enumerate(law.coefficients))
            self._inner = self._outer = self._knee = self._knee_force = 0.0
        else:
            self._c = ()
            self._inner = law.inner_rate
            self._outer = law.outer_rate
            self._knee = law.knee
            self._knee_force = law.inner_rate * law.knee

    def deflection(self, counts: float) -> float:
        """Return the deflection in m for a sensor reading in counts."""
        if self._sensor_counts:
            return _interpolated(self._sensor_counts, self._sensor_m, counts - self.zero_counts)
        return (counts - self.zero_counts) * self.per_count

    def force(self, deflection_m: float) -> float:
        """Return the spring force in N."""
        if self._c:
            return self._polynomial(deflection_m)
        magnitude = abs(deflection_m)
        if magnitude <= self._knee:
            return self._inner * deflection_m
        force = self._knee_force + self._outer * (magnitude - self._knee)
        return force if deflection_m > 0 else -force

    def stiffness(self, deflection_m: float) -> float:
        """Return the local slope dF/dδ in N/m."""
        if self._c:
            x = max(-self._reach, min(self._reach, deflection_m))
            slope = 0.0
            for i in range(len(self._c) - 1, 0, -1):
                slope = slope * x + i * self._c[i]
            return slope
        return self._inner if abs(deflection_m) <= self._knee else self._outer

    def deflection_for(self, force_N: float) -> float:
        """Return the deflection in m at which the law gives ``force_N`` (the inverse)."""
        if not self._c:
            magnitude = abs(force_N)
            if magnitude <= self._knee_force:
                return force_N / self._inner
            x = self._knee + (magnitude - self._knee_force) / self._outer
            return x if force_N > 0 else -x
        reach = self._reach
        low, high = self._polynomial(-reach), self._polynomial(reach)
        if force_N <= low:
            return -reach + (force_N - low) / self.stiffness(-reach)
        if force_N >= high:
            return reach + (force_N - high) / self.stiffness(reach)
        below, above = -reach, reach
        x = 0.0
        for _ in range(SOLVE_STEPS):
            error = self._polynomial(x) - force_N
            if error > 0:
                above = x
            else:
                below = x
            slope = self.stiffness(x)
            # Newton's step, kept inside the bracket that the bisection guarantees.
            step = x - error / slope if slope > 0 else x
            following = step if below < step < above else (below + above) / 2
            if abs(following - x) < 1e-10:
                return following
            x = following
        return x

    def u95(self, force_N: float) -> float:
        """Return the expanded uncertainty of force in N, coverage factor k = 2 (JCGM 100:2008, 6.2).

        Beyond the forces of the table it grows in proportion to the force: the law was not
        measured there.
        """
        table = self._u_force
        if table:
            force = min(max(force_N, table[0]), table[-1])
            u = 2.0 * _interpolated(table, self._u_values, force)
            return u * max(1.0, force_N / force) if force else u
        return 2.0 * math.hypot(self._u_absolute, self._u_relative * force_N)

    def _polynomial(self, deflection_m: float) -> float:
        x = max(-self._reach, min(self._reach, deflection_m))
        force = 0.0
        for c in reversed(self._c):
            force = force * x + c
        return force + self.stiffness(x) * (deflection_m - x) if x != deflection_m else force


def _interpolated(xs: list[float], ys: list[float], x: float) -> float:
    """Interpolate linearly between the rows, and extrapolate beyond the ends."""
    i = min(max(bisect_right(xs, x), 1), len(xs) - 1)
    x0, y0 = xs[i - 1], ys[i - 1]
    return y0 + (ys[i] - y0) * (x - x0) / (xs[i] - x0)


class LiveCalibration:
    """The calibration in force, which can slide to another without a jump.

    While it slides, deflection and force are a mean of both whose weight moves steadily from
    one to the other, so that everything controlled by them moves as steadily.
    """

    def __init__(self, calibration: ForceCalibration) -> None:
        self._old = self._new = calibration
        self._share = 1.0
        self._per_s = 0.0

    @property
    def sliding(self) -> bool:
        return self._share < 1.0

    @property
    def newest(self) -> ForceCalibration:
        return self._new

    def slide_to(self, calibration: ForceCalibration, seconds: float) -> None:
        """Slide to ``calibration`` within ``seconds``; a slide under way jumps to its end."""
        self._old, self._new = self._new, calibration
        self._share = 0.0
        self._per_s = 1.0 / seconds

    def advance(self, dt: float) -> None:
        """Advance by one cycle."""
        if self._share < 1.0:
            self._share = min(1.0, self._share + dt * self._per_s)
            if self._share == 1.0:
                self._old = self._new

    def deflection(self, counts: float) -> float:
        new = self._new.deflection(counts)
        return new if self._share == 1.0 else self._mean(self._old.deflection(counts), new)

    def force(self, deflection_m: float) -> float:
        new = self._new.force(deflection_m)
        return new if self._share == 1.0 else self._mean(self._old.force(deflection_m), new)

    def stiffness(self, deflection_m: float) -> float:
        new = self._new.stiffness(deflection_m)
        return new if self._share == 1.0 else self._mean(self._old.stiffness(deflection_m), new)

    def deflection_for(self, force_N: float) -> float:
        """Return a deflection between both inverses, by Newton steps, exact on straight pieces."""
        new = self._new.deflection_for(force_N)
        if self._share == 1.0:
            return new
        guess = self._mean(self._old.deflection_for(force_N), new)
        for _ in range(SLIDING_STEPS):
            guess += (force_N - self.force(guess)) / self.stiffness(guess)
        return guess

    def u95(self, force_N: float) -> float:
        new = self._new.u95(force_N)
        # The larger of the two: neither is verified for a mean.
        return new if self._share == 1.0 else max(self._old.u95(force_N), new)

    def _mean(self, old: float, new: float) -> float:
        return old + self._share * (new - old)


def passive_bounds(profile: Profile) -> tuple[float, float, float]:
    """Return (inner, outer, knee force): largest virtual stiffness in N/m below and beyond the knee.

    A fraction of the spring's own slope; see ``hil.control.behaviours`` for the source.
    """
    law = profile.calibration.spring_law
    fraction = profile.control.passive_fraction
    if isinstance(law, TwoSlopes):
        return law.inner_rate * fraction, law.outer_rate * fraction, law.inner_rate * law.knee
    most = profile.limits.deflection.limited
    softest = _softest_N_m(profile.calibration, profile.sensors.deflection, most) * fraction
    return softest, softest, math.inf


@lru_cache(maxsize=8)  # needed twice with every setpoint that a program renews
def _softest_N_m(calibration: Calibration, sensor: DeflectionSensor, most_m: float) -> float:
    law = ForceCalibration(calibration, sensor)
    return min(law.stiffness(most_m * i / 20) for i in range(-20, 21))
