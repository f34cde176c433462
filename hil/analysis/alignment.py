"""Alignment: time shift between the same events of two runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.analysis.measures import mark_label
from hil.recorder import Recorded, RunError

Array = NDArray[np.float64]
MOST_STEPS = 1 << 18  # an hour at 1 kHz is taken at 73 Hz, then refined at the rate recorded
REFINED_S = 2.0


@dataclass(frozen=True)
class Alignment:
    """Shift in s that aligns a run with the first one, and their agreement there.

    Attributes:
        correlation: correlation of the two in their overlap, −1 to 1; NaN if aligned otherwise.
    """

    shift_s: float
    correlation: float = math.nan


def event_times(run: Recorded) -> dict[str, float]:
    """Return the first time, s as recorded, of each marker, stop and state by its text."""
    found: dict[str, float] = {}
    for event in run.events:
        kind, text = event.get("kind"), ""
        if kind == "marker":
            text = mark_label(str(event.get("text", "")))
        elif kind == "stop":
            text = f"stop: {event.get('cause', '')}"
        elif kind == "state":
            text = f"state {str(event.get('state', '')).lower().replace('_', '-')}"
        time_s = event.get("time_s")
        if text and isinstance(time_s, int | float):
            found.setdefault(text, float(time_s))
    return found


def common_events(runs: Sequence[Recorded]) -> list[str]:
    """Return the events that every run has, in the order of the first."""
    times = [event_times(run) for run in runs]
    return [text for text in times[0] if all(text in other for other in times[1:])]


def align_by_correlation(
    times: NDArray[Any], values: NDArray[Any], other_times: NDArray[Any], other: NDArray[Any]
) -> Alignment:
    """Return the shift at which the second signal fits the first best.

    The criterion is the correlation coefficient over the overlap (at least a quarter of the
    shorter signal), so that neither a long overlap nor a part of large amplitude dominates.
    Its maximum is refined by a parabola.

    Args:
        times, values: shape (n,), s and any unit.
        other_times, other: shape (m,).

    Raises:
        RunError: one does not vary, or has too few samples.
    """
    coarse_s = max(np.ptp(times), np.ptp(other_times)) / MOST_STEPS
    own_s = max(_step(times), _step(other_times))
    step_s = max(coarse_s, own_s)
    one, two = _even(times, values, step_s), _even(other_times, other, step_s)
    lag, found = _best_lag(one, two)
    shift_s = float(times[0]) - float(other_times[0]) + lag * step_s
    if step_s > 1.5 * own_s:
        shift_s = _refined(times, values, other_times, other, shift_s, own_s, step_s)
    return Alignment(shift_s, found)


def _step(times: NDArray[Any]) -> float:
    if len(times) < 16:
        raise RunError(f"{len(times)} samples are too few to align")
    return float(np.median(np.diff(times)))


def _even(times: NDArray[Any], values: NDArray[Any], step_s: float) -> Array:
    known = np.isfinite(values)
    if np.count_nonzero(known) < 16:
        raise RunError("a column without values cannot be aligned; choose another one")
    even = np.arange(float(times[0]), float(times[-1]), step_s)
    made = np.interp(even, times[known], values[known].astype(np.float64))
    made = made - made.mean()
    if not np.any(np.abs(made) > 1e-9 * (1.0 + np.abs(values[known]).max())):
        raise RunError("a column that does not vary cannot be aligned; choose another one")
    return np.asarray(made)


def _best_lag(one: Array, two: Array) -> tuple[float, float]:
    """Return the lag of ``two`` in steps and fractions of one, and the correlation there."""
    from scipy.signal import correlate  # slow to load

    product = correlate(one, two, mode="full", method="fft")
    lags = np.arange(-len(two) + 1, len(one))
    # Overlapping part of each at a lag.
    first, last = np.maximum(lags, 0), np.minimum(lags + len(two), len(one))
    count = last - first
    sum_one, square_one = _sums(one, first, last)
    sum_two, square_two = _sums(two, first - lags, last - lags)
    spread = (square_one - sum_one**2 / count) * (square_two - sum_two**2 / count)
    floor = 1e-12 * float(one @ one) * float(two @ two)
    enough = (count >= min(len(one), len(two)) / 4) & (spread > floor)
    above = product - sum_one * sum_two / count
    score = np.where(enough, above / np.sqrt(np.where(enough, spread, 1.0)), -1.0)
    best = int(np.argmax(score))
    lag = float(lags[best])
    if 0 < best < len(score) - 1 and enough[best - 1] and enough[best + 1]:
        before, here, after = score[best - 1 : best + 2]
        bend = before - 2.0 * here + after
        if bend < 0.0:
            lag += float(0.5 * (before - after) / bend)
    return lag, float(score[best])


def _sums(values: Array, first: NDArray[Any], last: NDArray[Any]) -> tuple[Array, Array]:
    """Return sums and sums of squares of ``values`` from ``first`` to ``last``, of shape (k,)."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    square = np.concatenate(([0.0], np.cumsum(values**2)))
    return total[last] - total[first], square[last] - square[first]


def _refined(
    times: NDArray[Any],
    values: NDArray[Any],
    other_times: NDArray[Any],
    other: NDArray[Any],
    shift_s: float,
    own_s: float,
    step_s: float,
) -> float:
    """Return the shift refined on the most varied part of the overlap, at the recorded rate."""
    begin = max(float(times[0]), float(other_times[0]) + shift_s)
    end = min(float(times[-1]), float(other_times[-1]) + shift_s)
    edges = np.arange(begin, max(end - 60.0, begin) + 1.0, 60.0)
    spreads = []
    for edge in edges:
        first, last = np.searchsorted(times, (edge, edge + 60.0))
        part = values[first:last]
        spreads.append(float(np.nanstd(part)) if last - first > 16 else 0.0)
    start = float(edges[int(np.argmax(spreads))]) if len(edges) else begin
    reach = REFINED_S + step_s
    first, last = np.searchsorted(times, (start, start + 60.0))
    low, high = np.searchsorted(
        other_times, (start - shift_s - reach, start - shift_s + 60 + reach)
    )
    if last - first < 16 or high - low < 16:
        return shift_s
    try:
        one = _even(times[first:last], values[first:last], own_s)
        two = _even(other_times[low:high], other[low:high], own_s)
    except RunError:
        return shift_s
    lag, _ = _best_lag(one, two)
    fine_s = float(times[first]) - float(other_times[low]) + lag * own_s
    return fine_s if abs(fine_s - shift_s) <= reach else shift_s
