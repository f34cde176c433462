"""Two bodies warmed by copper loss: their fit to resistance readings, and currents of duties.

The same model as ``hil.supervision.motor_heat``: the winding over the housing, the housing over its
surroundings, each a first-order lag of the loss as a share of that at continuous current.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np

from hil.measure.characteristic import Floats

COPPER_K = 235.0  # IEC 60034-1, 8.6.2.2 (from memory): k of copper in R ~ (k + temperature)
DRAWS = 200  # of the parameters, from their covariance
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
        total = np.zeros(len(at_s))
        for settled, tau in ((self.winding_K, self.winding_s), (self.housing_K, self.housing_s)):
            # Share of each interval's heat that is left at each moment.
            left = np.exp(-np.maximum(at_s[:, None] - time_s[None, 1:], 0.0) / tau)
            grown = -np.expm1(
                -np.clip(at_s[:, None] - time_s[None, :-1], 0.0, np.diff(time_s)) / tau
            )
            total += settled * np.sum(loss * grown * left, axis=1)
        return total

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


@dataclass(frozen=True)
class Fitted:
    """Fitted bodies, and equally likely ones drawn from the covariance of the fit."""

    bodies: TwoBodies
    drawn: tuple[TwoBodies, ...]
    residual_K: float


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

    def miss(tried: Floats) -> Floats:
        # The error of the cold reading is common to all rises: one more reading, of 0.
        model = TwoBodies(*np.exp(tried[:-1])).rises(time_s, loss, at_s)
        return np.append(model + tried[-1] - rise, tried[-1])

    widest = np.append(np.full(len(origin), 2.5), 10.0)
    begin = np.append(origin, 0.0)
    from scipy.optimize import least_squares  # slow to load

    found = least_squares(miss, begin, bounds=(begin - widest, begin + widest), x_scale="jac")
    spread = math.sqrt(float(np.sum(found.fun**2)) / (len(at_s) + 1 - len(begin)))
    inverse = np.linalg.pinv(found.jac.T @ found.jac)
    covariance = max(spread, least_K) ** 2 * inverse
    if not np.all(np.isfinite(covariance)) or np.max(np.diag(covariance)[:-1]) > 1.0:
        raise ValueError("the readings do not separate winding and housing. Fix: hold for longer")
    chance = np.random.default_rng(1)
    draws = chance.multivariate_normal(found.x, covariance, DRAWS, method="eigh")
    return Fitted(
        TwoBodies(*np.exp(found.x[:-1])), tuple(TwoBodies(*np.exp(d[:-1])) for d in draws), spread
    )
