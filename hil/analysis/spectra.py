"""Spectra of recorded columns: over frequency, and over orders of the motor's turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.recorder import RunError

Array = NDArray[np.float64]
SEGMENTS = 8  # least number averaged: a spectrum of one segment scatters by its own magnitude
LEAST_SAMPLES = 64
LARGEST_SEGMENT = 1 << 14
LEAST_TURNS = 2.0  # of a stretch in one direction
MOST_PER_TURN = 256


@dataclass(frozen=True)
class Spectrum:
    """Amplitudes over frequency or order.

    Attributes:
        places: Hz, or orders (events a turn), shape (m,).
        amplitudes: amplitudes; over frequency the root of the power density, unit/√Hz; over orders
            the amplitude of a sine, in the column's unit; shape (m,).
        step: distance of two places.
        segments: number of segments that were averaged.
    """

    places: Array
    amplitudes: Array
    step: float
    segments: float


def frequency_spectrum(times: NDArray[Any], values: NDArray[Any]) -> Spectrum:
    """Return the averaged periodogram (P. D. Welch, 1967), Hann window and half overlap.

    Args:
        times: shape (n,), s, increasing; resampled to even steps by interpolation, since
            cycles may be late.
        values: shape (n,); samples that are not finite are left out.

    Raises:
        RunError: too few samples.
    """
    times, values = _finite(times, values)
    step_s = float(np.median(np.diff(times)))
    count = round((times[-1] - times[0]) / step_s) + 1
    even = times[0] + np.arange(count) * step_s
    data = np.interp(even, times, values)
    length = _segment(count)
    from scipy.signal import welch  # slow to load

    places, density = welch(data, fs=1.0 / step_s, nperseg=length, detrend="constant")
    segments = 1 + (count - length) // (length - length // 2)
    return Spectrum(places[1:], np.sqrt(density[1:]), float(places[1]), float(segments))


def order_spectrum(turns: NDArray[Any], values: NDArray[Any]) -> Spectrum:
    """Return the spectrum over orders: 1 is once a turn at any speed.

    Samples are resampled to even steps of angle within each stretch of one direction; the spectra
    of the stretches are averaged by their number of segments. An order with few samples a cycle
    reads low: by up to 20 % at 6, by up to 30 % at 4 (measured, with late cycles).

    Args:
        turns: motor angle in turns, shape (n,).
        values: shape (n,).

    Raises:
        RunError: the motor does not turn far enough in one direction, or too few samples.
    """
    from scipy.signal import welch  # slow to load

    turns, values = _finite(turns, values)
    stretches = [part for part in _one_way(turns) if np.ptp(turns[part]) >= LEAST_TURNS]
    if not stretches:
        raise RunError(
            f"the motor turns by less than {LEAST_TURNS:g} turns in one direction; select a move"
        )
    longest = max(float(np.ptp(turns[part])) for part in stretches)
    per_turn = min(
        np.median([(part.stop - part.start) / np.ptp(turns[part]) for part in stretches]),
        MOST_PER_TURN,
    )
    if per_turn < 4.0:
        raise RunError(f"only {per_turn:.1f} samples a turn; select a slower move")
    per_turn = float(2 ** int(np.log2(per_turn)))
    # Half of the longest stretch at most, so that two segments fit in it.
    length = int(min(longest, 16.0, max(LEAST_TURNS, longest / 2)) * per_turn)
    total: Array | None = None
    weight = 0.0
    for part in stretches:
        angle, data = turns[part], values[part]
        if angle[0] > angle[-1]:
            angle, data = angle[::-1], data[::-1]
        even = np.arange(angle[0], angle[-1], 1.0 / per_turn)
        if len(even) < length:
            continue
        # Equal angles: the mean of the readings there.
        angle, place = np.unique(angle, return_inverse=True)
        data = np.bincount(place, weights=data) / np.bincount(place)
        made = np.interp(even, angle, data)
        _, power = welch(made, fs=per_turn, nperseg=length, detrend="linear", scaling="spectrum")
        segments = 1.0 + (len(even) - length) // (length - length // 2)
        total = power * segments if total is None else total + power * segments
        weight += segments
    assert total is not None  # the longest stretch holds a segment
    places: Array = np.asarray(np.fft.rfftfreq(length, 1.0 / per_turn), dtype=np.float64)
    # A sine of amplitude a has the power a²/2.
    return Spectrum(places[1:], np.sqrt(2.0 * total[1:] / weight), float(places[1]), weight)


def _finite(first: NDArray[Any], values: NDArray[Any]) -> tuple[Array, Array]:
    first, values = first.astype(np.float64), values.astype(np.float64)
    known = np.isfinite(first) & np.isfinite(values)
    if np.count_nonzero(known) < LEAST_SAMPLES:
        raise RunError(
            f"{np.count_nonzero(known)} samples are too few for a spectrum; select at least "
            f"{LEAST_SAMPLES}"
        )
    return first[known], values[known]


def _segment(count: int) -> int:
    """Return the segment length: the longest power of two that gives enough overlapping segments."""
    longest = max(2 * count // (SEGMENTS + 1), LEAST_SAMPLES // 2)
    return int(min(2 ** int(np.log2(longest)), LARGEST_SEGMENT, count))


def _one_way(turns: Array) -> list[slice]:
    """Return the stretches of one direction; reversals below a hundredth of a turn are ignored."""
    found = []
    begin, top, way = 0, 0, 0
    slack = 0.01
    # Only turning points matter: samples between them are skipped.
    steps = np.sign(np.diff(turns))
    points = np.concatenate(([0], np.flatnonzero(np.diff(steps)) + 1, [len(turns) - 1]))
    for point in points.tolist():
        moved = turns[point] - turns[top]
        if way == 0:
            if abs(moved) > slack:
                way, top = (1 if moved > 0 else -1), point
        elif moved * way >= 0:
            top = point
        elif -moved * way > slack:
            found.append(slice(begin, top + 1))
            begin, top, way = top, point, -way
    found.append(slice(begin, top + 1))
    return found
