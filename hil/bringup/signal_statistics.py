"""Statistics of sensor and bus at rest: pure functions of columns."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WINDOW_S = 0.2
BLOCK = 50  # samples within which a lagging drive stays in step
DROPOUT_SIGMAS = 12.0  # approximately normal noise never goes this far
COMMON = 0.05  # of the readings: a departure from the bulk is rarer
HUM_LAG = 2  # samples; hum correlates at this lag, noise does not, nor noise whose values repeat


@dataclass(frozen=True)
class AtRest:
    """Statistics of a reading while nothing moves, in counts.

    Attributes:
        middle: median. noise: standard deviation of the bulk, without slow changes and outliers.
        wander: range of the medians of windows of 0.2 s. dropouts: number of brief departures
            from the bulk. share_top, share_bottom: of samples at either end of the range.
        distinct: number of different values. hum: correlation of neighbours, 0 for white noise.
    """

    middle: float
    noise: float
    wander: float
    dropouts: int
    share_top: float
    share_bottom: float
    distinct: int
    hum: float


def at_rest(counts: Floats, top: int, margin: int, period_s: float) -> AtRest:
    """Judge at least one window of readings; within ``margin`` counts of an end is the end."""
    window = max(2, round(WINDOW_S / period_s))
    whole = max(1, len(counts) // window)
    medians = np.array([np.median(part) for part in np.array_split(counts, whole)])
    lengths = [len(part) for part in np.array_split(counts, whole)]
    rest = counts - np.repeat(medians, lengths)
    spread = 1.4826 * float(np.median(np.abs(rest)))  # of a normal distribution
    # Rounding may leave no spread at all.
    outside = np.abs(rest) > DROPOUT_SIGMAS * (spread + 0.5 * _step(counts))
    bulk = rest[~outside]
    started = int(np.count_nonzero(outside[1:] & ~outside[:-1])) + int(outside[0])
    return AtRest(
        middle=float(np.median(counts)),
        noise=float(np.std(bulk)),
        wander=float(np.ptp(medians)),
        dropouts=started,
        share_top=float(np.mean(counts >= top - margin)),
        share_bottom=float(np.mean(counts <= margin)),
        distinct=len(np.unique(counts)),
        hum=_alike(bulk, HUM_LAG),
    )


def _step(counts: Floats) -> float:
    """Return the smallest step between common readings: over a count if the lowest bits are dead."""
    values, often = np.unique(counts, return_counts=True)
    common = values[often >= COMMON * len(counts)]
    return float(np.min(np.diff(common), initial=math.inf)) if len(common) > 1 else 1.0


def _alike(values: Floats, lag: int) -> float:
    a, b = values[lag:], values[:-lag]
    size = float(np.std(a) * np.std(b))
    return float(np.mean((a - a.mean()) * (b - b.mean()))) / size if size > 0 else 0.0


def lost_share(age_s: Floats, period_s: float) -> float:
    """Return the share of cycles without a new sample of the motor."""
    return float(np.mean(age_s > 0.95 * period_s))


def doubled_share(values: Floats) -> float:
    """Return the share of blocks in which every value appears twice and changes in between.

    NaN if the values change too seldom to judge.
    """
    doubled = counted = 0
    for start in range(0, len(values) - BLOCK, BLOCK):
        same = values[start : start + BLOCK] == values[start + 1 : start + BLOCK + 1]
        even, odd = float(np.mean(same[::2])), float(np.mean(same[1::2]))
        if min(even, odd) > 0.8:
            continue  # hardly any change: cannot be judged
        counted += 1
        doubled += max(even, odd) >= 0.95
    return doubled / counted if counted else math.nan


def lazy_bits(counts: Floats, bits: int = 3) -> list[int]:
    """Return which of the lowest ``bits`` hardly ever change in a sweep over many counts."""
    whole = counts.astype(np.int64)
    shares = [float(np.mean((whole >> bit) & 1)) for bit in range(bits)]
    return [bit for bit, share in enumerate(shares) if not 0.1 < share < 0.9]
