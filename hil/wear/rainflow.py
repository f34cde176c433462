"""Rainflow counting and Palmgren-Miner damage.

Counting as in ASTM E1049-85, 5.4.4 (from memory, its worked example included).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from hil.sizing import RATED_TURNS


def turning_points(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return first value, every reversal and last value of a series, shape (m,)."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return finite
    # Plateaus count once, or their ends would hide a reversal.
    kept = np.concatenate(([True], np.diff(finite) != 0.0))
    finite = finite[kept]
    if len(finite) < 3:
        return finite
    way = np.sign(np.diff(finite))
    turns = np.concatenate(([True], way[1:] != way[:-1], [True]))
    return finite[turns]


def rainflow(values: NDArray[np.float64]) -> list[tuple[float, float, float]]:
    """Count the cycles of a series.

    Returns:
        (range, mean, count) with a count of 1 for a closed cycle and 0.5 for a half one.
    """
    counted: list[tuple[float, float, float]] = []
    points: list[float] = []
    for value in turning_points(values).tolist():
        points.append(value)
        while len(points) >= 3:
            latest, before = abs(points[-1] - points[-2]), abs(points[-2] - points[-3])
            if latest < before:
                break
            mean = 0.5 * (points[-2] + points[-3])
            if len(points) == 3:  # it holds the starting point: a half cycle
                counted.append((before, mean, 0.5))
                points.pop(0)
            else:
                counted.append((before, mean, 1.0))
                del points[-3:-1]
    counted += [(abs(b - a), 0.5 * (a + b), 0.5) for a, b in pairwise(points)]
    return counted


@dataclass(frozen=True)
class SpringLife:
    """Line of a spring's life over its force range: N = cycles·(range_N/range)^exponent."""

    range_N: float
    cycles: float
    exponent: float = 8.0  # of spring steel, shot-peened or not; common practice, no source

    def damage(self, force_N: NDArray[np.float64]) -> float:
        """Return the share of its life that a series of forces takes (Palmgren-Miner)."""
        shares = [
            count / self.cycles * math.pow(size / self.range_N, self.exponent)
            for size, _mean, count in rainflow(force_N)
        ]
        return math.fsum(shares)


def screw_damage(
    force_N: NDArray[np.float64], nut_m: NDArray[np.float64], lead_m: float, rating_N: float
) -> float:
    """Return the share of a ball screw's basic life L10 that was used.

    Σ turns·(F/C)³/10⁶ (ISO 3408-5 by Palmgren-Miner; exponent 3 of rolling elements).
    """
    turns = np.abs(np.diff(nut_m)) / lead_m
    load = np.abs(0.5 * (force_N[1:] + force_N[:-1])) / rating_N
    share = turns * load**3
    return float(share[np.isfinite(share)].sum()) / RATED_TURNS
