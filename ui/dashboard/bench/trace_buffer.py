"""Sample history for strip charts: a ring, with minima and maxima updated as it fills.

Level k of the pyramid holds the extremes of blocks of ``FOLD**k`` samples. A window is drawn
from the coarsest level that still gives every pixel column two blocks, so that the work of a
frame depends on the number of columns alone: not on the window, not on the history.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FOLD = 4
LEVELS = 6
BLOCK = FOLD**LEVELS

Floats = NDArray[np.float64]
Values = NDArray[np.float32]


@dataclass(frozen=True)
class Window:
    """A stretch of history ready to draw.

    ``times`` has shape (m,), s; ``low`` and ``high`` have shape (channels, m). If ``reduced``, m
    counts pixel columns (``low`` and ``high`` are extremes, NaN in a column without a sample),
    else single samples (``low`` is ``high``).
    """

    times: Floats
    low: Values
    high: Values
    reduced: bool


class TraceBuffer:
    """Ring of ``capacity`` samples (rounded up to a whole block) of ``channels`` traces.

    Times must increase; gaps in them stay gaps. The extremes ignore NaN values.
    """

    def __init__(self, channels: int, capacity: int) -> None:
        if channels < 1 or capacity < 1:
            raise ValueError("a trace buffer needs at least one channel and one sample")
        self.channels = channels
        self.capacity = -(-capacity // BLOCK) * BLOCK
        self.count = 0  # samples ever appended
        self._times = np.zeros(self.capacity)
        raw = _unfilled((channels, self.capacity))
        self._low = [raw]
        self._high = [raw]
        for level in range(1, LEVELS + 1):
            shape = (channels, self.capacity // FOLD**level)
            self._low.append(_unfilled(shape))
            self._high.append(_unfilled(shape))

    @property
    def oldest(self) -> int:
        """Number of the oldest sample still held."""
        return max(0, int(self.count - self.capacity))

    @property
    def start_s(self) -> float:
        return float(self._times[self.oldest % self.capacity]) if self.count else 0.0

    @property
    def end_s(self) -> float:
        return float(self._times[(self.count - 1) % self.capacity]) if self.count else 0.0

    def clear(self) -> None:
        self.count = 0

    def append(self, times: Floats, values: NDArray[np.floating]) -> None:
        """Add samples: ``times`` (n,) in s, ``values`` (n, channels)."""
        for first in range(0, len(times), BLOCK):
            self._append(times[first : first + BLOCK], values[first : first + BLOCK])

    def _append(self, times: Floats, values: NDArray[np.floating]) -> None:
        before = self.count
        after = before + len(times)
        place = np.arange(before, after) % self.capacity
        self._times[place] = times
        self._low[0][:, place] = values.T
        self.count = after
        for level in range(1, LEVELS + 1):
            size = FOLD**level
            done, ready = before // size, after // size
            if done == ready:
                break
            below = np.arange(done * FOLD, ready * FOLD) % self._low[level - 1].shape[1]
            here = np.arange(done, ready) % self._low[level].shape[1]
            shape = (self.channels, ready - done, FOLD)
            lower = self._low[level - 1][:, below].reshape(shape)
            upper = self._high[level - 1][:, below].reshape(shape)
            self._low[level][:, here] = np.fmin.reduce(lower, axis=2)
            self._high[level][:, here] = np.fmax.reduce(upper, axis=2)

    def index_at(self, time_s: float) -> int:
        """Return the number of the first sample not before ``time_s`` (``count`` if none is)."""
        first, last = self.oldest, self.count
        if first == last:
            return last
        seam = -(-first // self.capacity) * self.capacity  # where the ring wraps
        if seam >= last or (seam > first and time_s <= self._times[(seam - 1) % self.capacity]):
            last = min(last, seam if seam > first else last)
        elif seam > first:
            first = seam
        begin = first % self.capacity
        found = np.searchsorted(self._times[begin : begin + last - first], time_s)
        return first + int(found)

    def sample_at(self, time_s: float) -> tuple[float, Values] | None:
        """Return time and values (channels,) of the last sample at or before ``time_s``, or None."""
        index = self.index_at(np.nextafter(time_s, np.inf)) - 1
        if index < self.oldest:
            return None
        place = index % self.capacity
        return float(self._times[place]), self._low[0][:, place].copy()

    def window(self, start_s: float, end_s: float, columns: int) -> Window:
        """Return samples from ``start_s`` to ``end_s``, reduced to ``columns`` if there are many."""
        first, last = self.index_at(start_s), self.index_at(end_s)
        # One more sample on either side, so that a line runs to the edge of the picture.
        first, last = max(self.oldest, first - 1), min(self.count, last + 1)
        if last - first <= 2 * columns:
            values = self._stretch(self._low[0], first, last)
            return Window(self._stretch(self._times, first, last), values, values, False)
        level = 0
        while level < LEVELS and FOLD ** (level + 1) * 2 * columns <= last - first:
            level += 1
        size = FOLD**level
        begin = first // size if first // size * size >= self.oldest else first // size + 1
        end = last // size
        times = self._stretch(self._times[::size], begin, end)
        low = self._stretch(self._low[level], begin, end)
        high = self._stretch(self._high[level], begin, end)
        # The unfinished block at the young end, then one of NaN that ends the last column.
        tail = self._stretch(self._low[0], end * size, last)
        none = np.full((self.channels, 1), np.nan, dtype=np.float32)
        if tail.shape[1]:
            times = np.append(times, self._times[end * size % self.capacity])
            low = np.concatenate((low, np.fmin.reduce(tail, axis=1)[:, None], none), axis=1)
            high = np.concatenate((high, np.fmax.reduce(tail, axis=1)[:, None], none), axis=1)
        else:
            low = np.concatenate((low, none), axis=1)
            high = np.concatenate((high, none), axis=1)
        edges = np.linspace(start_s, end_s, columns + 1)
        bounds = np.searchsorted(times, edges)
        # Blocks do not begin at the edges; the one across the first edge must not be lost.
        bounds[0], bounds[-1] = 0, len(times)
        low = np.fmin.reduceat(low, bounds[:-1], axis=1)
        high = np.fmax.reduceat(high, bounds[:-1], axis=1)
        empty = bounds[1:] <= bounds[:-1]
        low[:, empty] = np.nan
        high[:, empty] = np.nan
        return Window((edges[:-1] + edges[1:]) / 2, low, high, True)

    @staticmethod
    def _stretch(ring: NDArray[Any], begin: int, end: int) -> NDArray[Any]:
        """Return entries ``begin`` to ``end`` (unwrapped numbers) of a ring along its last axis."""
        size = ring.shape[-1]
        if end <= begin:
            return ring[..., :0]
        start, stop = begin % size, (end - 1) % size + 1
        if start < stop:
            return ring[..., start:stop]
        return np.concatenate((ring[..., start:], ring[..., :stop]), axis=-1)


def _unfilled(shape: tuple[int, int]) -> Values:
    """Return an array whose memory is taken page by page, as it is written.

    Only what was appended is read. With numpy's own arrays of this size the first block of samples
    would take 2 MB for each channel and level: 0.1 s at the start of each window.
    """
    count = shape[0] * shape[1]
    return np.frombuffer(mmap.mmap(-1, 4 * count), np.float32, count).reshape(shape)
