"""Two bodies warmed by copper loss: their fit to resistance readings, and currents of duties.

The same model as ``hil.supervision.motor_heat``: the winding over the housing, the housing over its
surroundings, each a first-order lag of the loss as a share of that at continuous current.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import astuple, dataclass

import numpy as np

from hil.measure.characteristic import Floats

COPPER_K = 235.0  # IEC 60034-1, 8.6.2.2 (from memory): k of copper in R ~ (k + temperature)
COVERAGE_FACTOR = 2.0  # k of a band
STIFF = 1e3  # weight of a held figure against the readings
ROUNDS = 12  # at most, to reach an end of a band
NEAR = 0.02  # of the coverage factor, at an end of a band
NOT_SEPARATE = "the readings do not separate winding and housing. Fix: hold for longer"
S3_PERIOD_S = 600.0  # of a duty cycle, IEC 60034-1, 4.2.3 (from memory)
MOST_CURRENT = 20.0  # times the continuous one: upper end of the search for duties
LONGEST_HOLD_S = 20 * 3600.0


@dataclass(frozen=True)
class TwoBodies:
    """Settled rises at continuous current in K (mean of all phases) and time constants in s."""

    winding_K: float
    winding_s: float
    housing_K: float
    housing_s: float

    def rises(self, time_s: Floats, loss: Floats, at_s: Floats) -> Floats:
        """Return the mean rise at ``at_s``; ``loss`` (n − 1) applies between ``time_s`` (n)."""
        bodies = ((self.winding_K, self.winding_s), (self.housing_K, self.housing_s))
        return sum((_rise(*each, time_s, loss, at_s)[0] for each in bodies), np.zeros(len(at_s)))

    def hottest_K(self, crest: float) -> float:
        """Return the settled rise of the hottest phase, ``crest`` times the mean loss in it."""
        return crest * self.winding_K + self.housing_K

    def continuous(self, rise_K: float, crest: float) -> float:
        """Return the continuous current (duty S1), as a share of the rated one."""
        return math.sqrt(rise_K / self.hottest_K(crest))

    def periodic(self, rise_K: float, crest: float, share: float) -> float:
        """Return the current of duty S3 whose settled peak is ``rise_K``: on for ``share``."""

        def peak(settled: float, tau: float) -> float:
            on = -math.expm1(-share * S3_PERIOD_S / tau)
            return settled * on / -math.expm1(-S3_PERIOD_S / tau)

        most = peak(crest * self.winding_K, self.winding_s) + peak(self.housing_K, self.housing_s)
        return math.sqrt(rise_K / most)

    def hold_s(self, current: float, rise_K: float, crest: float) -> float:
        """Return the holding time in s of a current (share) from cold to ``rise_K``; inf: continuous."""
        loss = current**2

        def left(t: float) -> float:
            own = -math.expm1(-t / self.winding_s) * crest * self.winding_K
            return loss * (own - math.expm1(-t / self.housing_s) * self.housing_K) - rise_K

        if left(LONGEST_HOLD_S) <= 0.0:
            return math.inf
        from scipy.optimize import brentq  # slow to load

        return float(brentq(left, 0.0, LONGEST_HOLD_S))


def _rise(
    settled: float, tau: float, time_s: Floats, loss: Floats, at_s: Floats
) -> tuple[Floats, Floats]:
    """Return the rise of one body, and its derivative by the logarithm of ``tau``."""
    since = np.maximum(at_s[:, None] - time_s, 0.0) / tau
    left = np.exp(-since)  # share of the heat of each moment
    return settled * np.diff(left) @ loss, settled * np.diff(since * left) @ loss


@dataclass(frozen=True, eq=False)
class Readings:
    """Rises read at ``at_s`` after and during a loss (as in ``TwoBodies.rises``).

    The parameters of a fit are the logarithms of those of the bodies, and the error of the cold reading
    in K, which is common to all rises.
    """

    time_s: Floats
    loss: Floats
    at_s: Floats
    rise: Floats

    def miss(self, tried: Floats) -> Floats:
        """Return the residuals in K; the error of the cold reading is one more reading, of 0."""
        model = bodies_of(tried).rises(self.time_s, self.loss, self.at_s)
        return np.append(model + tried[-1] - self.rise, tried[-1])

    def slopes(self, tried: Floats) -> Floats:
        """Return the derivatives of ``miss`` by the parameters."""
        found = np.zeros((len(self.at_s) + 1, len(tried)))
        for i in (0, 2):
            settled, tau = np.exp(tried[i : i + 2])
            found[:-1, i : i + 2] = np.transpose(
                _rise(settled, tau, self.time_s, self.loss, self.at_s)
            )
        found[:, -1] = 1.0
        return found


def bodies_of(tried: Floats) -> TwoBodies:
    """Return the bodies of a fit's parameters."""
    return TwoBodies(*map(float, np.exp(tried[:-1])))


@dataclass(frozen=True, eq=False)
class Fitted:
    """Fitted bodies, and bands of their figures.

    Attributes:
        best: parameters with the least sum of squares; least: that sum, K².
        start, widest: beginning of the search, and how far it goes to either side.
        spread_K: standard uncertainty of one reading. covariance: of ``best``, to first order.
    """

    bodies: TwoBodies
    readings: Readings
    start: Floats
    widest: Floats
    best: Floats
    least: float
    spread_K: float
    covariance: Floats

    def band(self, take: Callable[[TwoBodies], float]) -> tuple[float, float]:
        """Return the least and the greatest value of a figure that the readings permit (k = 2).

        The profile likelihood: with the figure held there, the best fit of all parameters has a sum of
        squares (k · ``spread_K``)² above the least one (Bates and Watts, Nonlinear Regression Analysis
        and Its Applications, 1988, chapter 6, from memory). After a hold that is short for the housing,
        its settled rise and its time constant grow together: the greatest value is farther away than the
        least, and the covariance at a low estimate is too small.

        Raises:
            ValueError: the readings do not bound it.
        """
        low, high = (self._end(take, sign) for sign in (-1.0, 1.0))
        return low, high

    def _end(self, take: Callable[[TwoBodies], float], sign: float) -> float:
        from scipy.optimize import least_squares  # slow to load

        def inside(tried: Floats) -> Floats:
            return np.clip(tried, self.start - self.widest, self.start + self.widest)

        def figure(tried: Floats) -> float:
            return take(bodies_of(inside(tried)))

        def slope(tried: Floats) -> Floats:
            steps = 1e-4 * np.eye(len(tried))
            return np.array([figure(tried + d) - figure(tried - d) for d in steps]) / 2e-4

        begin, rising = figure(self.best), slope(self.best)
        spread = math.sqrt(float(rising @ self.covariance @ rising))
        if spread == 0.0:
            return begin
        weight = STIFF * self.spread_K / spread

        def slopes(tried: Floats) -> Floats:
            return np.vstack([self.readings.slopes(inside(tried)), weight * slope(tried)])

        far = COVERAGE_FACTOR
        tried = self.best + sign * far / spread * (self.covariance @ rising)
        for _ in range(ROUNDS):

            def held(tried: Floats, aim: float = begin + sign * far * spread) -> Floats:
                return np.append(self.readings.miss(inside(tried)), weight * (figure(tried) - aim))

            tried = least_squares(held, tried, slopes, method="lm", x_scale="jac", ftol=1e-4).x
            more = float(np.sum(self.readings.miss(inside(tried)) ** 2)) - self.least
            reached = math.sqrt(max(more, 0.0)) / self.spread_K
            if abs(reached - COVERAGE_FACTOR) < NEAR:
                return figure(tried)
            if reached == 0.0:
                break
            far *= COVERAGE_FACTOR / reached
        raise ValueError(NOT_SEPARATE)


def rise_K(ohm: Floats, cold_ohm: float, cold_degC: float) -> Floats:
    """Return the rise by the resistance method (IEC 60034-1, 8.6.2.2, from memory)."""
    return np.asarray((ohm / cold_ohm - 1.0) * (COPPER_K + cold_degC))


def fit_bodies(
    time_s: Floats, loss: Floats, at_s: Floats, rise: Floats, start: TwoBodies, least_K: float
) -> Fitted:
    """Fit two bodies to rises read at ``at_s`` after and during a loss.

    Args:
        time_s, loss: as in ``TwoBodies.rises``.
        at_s, rise: readings. start: of the search.
        least_K: standard uncertainty of one reading, at least.

    Raises:
        ValueError: fewer than six readings, or readings that do not separate the bodies.
    """
    if len(at_s) < 6:
        raise ValueError(f"{len(at_s)} readings of the resistance: at least six are needed")
    origin = np.log(astuple(start))

    readings = Readings(time_s, loss, at_s, rise)
    widest = np.append(np.full(len(origin), 2.5), 10.0)
    begin = np.append(origin, 0.0)
    from scipy.optimize import least_squares  # slow to load

    bounds = (begin - widest, begin + widest)
    found = least_squares(readings.miss, begin, readings.slopes, bounds=bounds, x_scale="jac")
    spread = math.sqrt(float(np.sum(found.fun**2)) / (len(at_s) + 1 - len(begin)))
    inverse = np.linalg.pinv(found.jac.T @ found.jac)
    spread = max(spread, least_K)
    covariance = spread**2 * inverse
    if not np.all(np.isfinite(covariance)) or np.max(np.diag(covariance)[:-1]) > 1.0:
        raise ValueError(NOT_SEPARATE)
    return Fitted(
        bodies_of(found.x),
        readings,
        begin,
        widest,
        found.x,
        float(np.sum(found.fun**2)),
        spread,
        covariance,
    )
