"""Recorded or live columns as a picture needs them: any stretch, in as many parts as it has pixels.

Level k of a column's pyramid holds the extremes of blocks of ``2**k`` samples, so that the work of
a frame depends on its width alone. Sums over blocks give mean and RMS of any selection at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hil.analysis import mark_label
from hil.core import COLUMNS, limit_names
from hil.recorder import Run, load_run
from ui.dashboard.bench import TRACE_INDEX, TRACES, Mark, OperateModel, Window

Array = NDArray[np.float64]
FIRST_LEVEL = 4  # blocks of 16: finer ones are no quicker than the samples themselves
BLOCK = 4096  # samples a sum
TOGETHER_S = 0.05  # a limit that comes and goes faster counts as acting throughout


@dataclass(frozen=True)
class ColumnInfo:
    name: str
    unit: str
    description: str


@dataclass(frozen=True)
class Stretch:
    """A stretch of time with a label, such as a limit that acts. Times in s of the series."""

    start_s: float
    end_s: float
    text: str


@dataclass(frozen=True)
class Statistics:
    """Statistics of the finite samples of a selection; NaN if it has none."""

    count: int
    mean: float
    rms: float
    deviation: float


NONE = Statistics(0, math.nan, math.nan, math.nan)


class Series(Protocol):
    """Columns over one time. Times count from the first sample; a live bench's to now, below 0."""

    @property
    def name(self) -> str: ...
    @property
    def columns(self) -> Sequence[ColumnInfo]: ...
    @property
    def span_s(self) -> tuple[float, float]: ...
    @property
    def marks(self) -> Iterable[Mark]: ...
    @property
    def limited(self) -> Sequence[Stretch]: ...
    def ready(self, name: str) -> bool: ...
    def window(self, name: str, start_s: float, end_s: float, columns: int) -> Window: ...
    def samples(self, name: str, start_s: float, end_s: float) -> tuple[Array, Array]: ...
    def value_at(self, name: str, time_s: float) -> float: ...
    def statistics(self, name: str, start_s: float, end_s: float) -> Statistics: ...


class ColumnPyramid:
    """One column, shape (n,), with the extremes and the sums of its blocks."""

    def __init__(self, values: NDArray[Any]) -> None:
        if not np.issubdtype(values.dtype, np.floating):
            values = values.astype(np.float64)
        self.values = values
        self.low = [values]
        self.high = [values]
        low = high = values
        while len(low) > 2:
            low, high = _halved(low, np.fmin), _halved(high, np.fmax)
            kept = len(self.low) >= FIRST_LEVEL
            self.low.append(low if kept else values[:0])
            self.high.append(high if kept else values[:0])
        whole = len(values) // BLOCK * BLOCK
        blocks = values[:whole].reshape(-1, BLOCK)
        finite = np.isfinite(blocks)
        if not finite.all():
            blocks = np.where(finite, blocks, 0.0)
        counts = finite.sum(axis=1, dtype=np.int64)
        # Sums before each block, in double precision.
        self._counts = np.concatenate(([0], np.cumsum(counts)))
        self._sums = np.concatenate(([0.0], np.cumsum(blocks.sum(axis=1, dtype=np.float64))))
        squares = np.einsum("ij,ij->i", blocks, blocks, dtype=np.float64)
        self._squares = np.concatenate(([0.0], np.cumsum(squares)))

    def extremes(self, bounds: NDArray[np.int64]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return the extremes between neighbouring bounds (m + 1,); NaN where there is no value.

        A block across a bound counts on the later side: a quarter of a part at most.
        """
        parts = len(bounds) - 1
        least = max(1, int(bounds[-1] - bounds[0]) // max(parts, 1) // 4)
        level = min(int(math.log2(least)), len(self.low) - 1)
        level = 0 if level < FIRST_LEVEL else level
        size = 1 << level
        first, last = int(bounds[0]) >> level, -(-int(bounds[-1]) // size)
        low, high = self.low[level][first:last], self.high[level][first:last]
        # Parts after the last sample begin after the last block, or it would count towards them.
        starts = np.where(bounds[:-1] < bounds[-1], (bounds[:-1] >> level) - first, len(low))
        nothing = self.values.dtype.type(np.nan)  # which keeps the extremes in their own type
        low, high = np.append(low, nothing), np.append(high, nothing)
        lower, upper = np.fmin.reduceat(low, starts), np.fmax.reduceat(high, starts)
        empty = bounds[1:] <= bounds[:-1]
        lower[empty] = np.nan
        upper[empty] = np.nan
        return lower, upper

    def statistics(self, first: int, last: int) -> Statistics:
        """Return the statistics of samples ``first`` to ``last`` (not included)."""
        begin, end = -(-first // BLOCK), last // BLOCK
        if begin >= end:
            edges = [self.values[first:last]]
            count, total, square = 0, 0.0, 0.0
        else:
            edges = [self.values[first : begin * BLOCK], self.values[end * BLOCK : last]]
            count = int(self._counts[end] - self._counts[begin])
            total = float(self._sums[end] - self._sums[begin])
            square = float(self._squares[end] - self._squares[begin])
        for edge in edges:
            part = edge[np.isfinite(edge)].astype(np.float64)
            count += len(part)
            total += float(part.sum())
            square += float(part @ part)
        if not count:
            return NONE
        mean = total / count
        variance = max(square / count - mean**2, 0.0)
        return Statistics(count, mean, math.sqrt(max(square / count, 0.0)), math.sqrt(variance))


def _halved(values: NDArray[Any], least: Any) -> NDArray[Any]:
    """Return extremes of neighbouring pairs; a single last value is kept."""
    pairs = len(values) // 2 * 2
    halved = least(values[0:pairs:2], values[1:pairs:2])
    return np.append(halved, values[-1:]) if len(values) % 2 else halved


class RunSeries:
    """A recorded run. Columns are read when requested by ``load``, from any thread.

    Raises:
        RunError: the run cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.run: Run = load_run(path)
        self.times = np.asarray(self.run.column("time_s"), dtype=np.float64)
        self.origin_s = float(self.times[0]) if len(self.times) else 0.0
        self._pyramids: dict[str, ColumnPyramid] = {}
        self.columns = [_info(field) for field in self.run.schema if _is_number(field)]
        self.marks: list[Mark] = []
        self.limited: list[Stretch] = []
        self._read_events()

    @property
    def name(self) -> str:
        return self.run.path.name

    @property
    def span_s(self) -> tuple[float, float]:
        return 0.0, float(self.times[-1]) - self.origin_s if len(self.times) else 0.0

    def load(self, names: Iterable[str]) -> None:
        """Read columns and build their pyramids; those that the run does not have are left out.

        Raises:
            RunError: a column cannot be read.
        """
        there = self.run.names
        for name in names:
            if name in there and name not in self._pyramids:
                self._pyramids[name] = ColumnPyramid(self.run.column(name))

    def ready(self, name: str) -> bool:
        return name in self._pyramids

    def window(self, name: str, start_s: float, end_s: float, columns: int) -> Window:
        """Return a stretch like ``TraceBuffer.window``, of one column: ``low`` and ``high`` (m,)."""
        pyramid = self._pyramids[name]
        first, last = np.searchsorted(
            self.times, (start_s + self.origin_s, end_s + self.origin_s)
        ).tolist()
        first, last = max(0, first - 1), min(len(self.times), last + 1)
        if last - first <= 2 * columns:
            values = pyramid.values[first:last].astype(np.float32)
            return Window(self.times[first:last] - self.origin_s, values, values, False)
        edges = np.linspace(start_s, end_s, columns + 1)
        bounds = np.searchsorted(self.times, edges + self.origin_s)
        low, high = pyramid.extremes(bounds.astype(np.int64))
        middles = (edges[:-1] + edges[1:]) / 2
        return Window(middles, low.astype(np.float32), high.astype(np.float32), True)

    def rows(self, start_s: float, end_s: float) -> tuple[int, int]:
        """Return first and past-last sample from ``start_s`` to ``end_s``, both included."""
        times = (start_s + self.origin_s, end_s + self.origin_s)
        return int(np.searchsorted(self.times, times[0])), int(
            np.searchsorted(self.times, times[1], side="right")
        )

    def samples(self, name: str, start_s: float, end_s: float) -> tuple[Array, Array]:
        first, last = self.rows(start_s, end_s)
        values = self._pyramids[name].values[first:last]
        return self.times[first:last] - self.origin_s, np.asarray(values, dtype=np.float64)

    def value_at(self, name: str, time_s: float) -> float:
        place = int(np.searchsorted(self.times, time_s + self.origin_s, side="right")) - 1
        return float(self._pyramids[name].values[place]) if place >= 0 else math.nan

    def statistics(self, name: str, start_s: float, end_s: float) -> Statistics:
        return self._pyramids[name].statistics(*self.rows(start_s, end_s))

    def _read_events(self) -> None:
        for event in self.run.events:
            time_s = _number(event.get("time_s")) - self.origin_s
            kind = event.get("kind")
            if kind == "marker":
                self.marks.append(Mark(time_s, mark_label(str(event.get("text", "")))))
            elif kind == "stop":
                self.marks.append(Mark(time_s, f"stop: {event.get('cause', '')}"))
        if "limited" in self.run.schema.names:
            masks = np.asarray(self.run.column("limited"))
            self.limited = limit_stretches(self.times - self.origin_s, masks)


def limit_stretches(times: Array, masks: NDArray[Any]) -> list[Stretch]:
    """Return stretches in which limits act, from their bit masks (n,) at ``times`` (n,), s.

    Those of the same limits with less than ``TOGETHER_S`` between them are merged.
    """
    if not np.issubdtype(masks.dtype, np.integer):  # a column with gaps arrives as floats with NaN
        masks = np.nan_to_num(masks).astype(np.int64)
    changes = np.flatnonzero(masks[1:] != masks[:-1]) + 1
    starts = np.concatenate(([0], changes)) if len(masks) else changes
    found: list[Stretch] = []
    for i, start in enumerate(starts.tolist()):
        mask = int(masks[start])
        if not mask:
            continue
        end = int(starts[i + 1]) if i + 1 < len(starts) else len(masks) - 1
        text = ", ".join(limit_names(mask)).lower()
        last = found[-1] if found else None
        if last and last.text == text and times[start] - last.end_s < TOGETHER_S:
            found[-1] = Stretch(last.start_s, float(times[end]), text)
        else:
            found.append(Stretch(float(times[start]), float(times[end]), text))
    return found


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _is_number(field: Any) -> bool:
    kind = str(field.type)
    return field.name != "time_s" and kind.startswith(("int", "uint", "float", "double"))


def _info(field: Any) -> ColumnInfo:
    found = field.metadata or {}
    unit = found.get(b"unit", b"1").decode(errors="replace")
    return ColumnInfo(field.name, unit, found.get(b"description", b"").decode(errors="replace"))


class LiveSeries:
    """The running bench as far as the window holds it: ten minutes, ending now at 0."""

    name = "bench, last ten minutes"

    def __init__(self, model: OperateModel) -> None:
        self.model = model
        known = {column.name: column for column in COLUMNS}
        # Angles and torques come along the arc, and are shown as what they are.
        arc = "arc " if model.profile.motion == "rotary" else ""
        self.columns = [
            ColumnInfo(
                n,
                (arc if known[n].unit in ("m", "N") else "") + known[n].unit,
                known[n].description,
            )
            for n in TRACES
        ]
        self.limited: list[Stretch] = []
        self._kept: tuple[tuple[object, ...], Window] | None = None

    @property
    def origin_s(self) -> float:
        return self.model.buffer.end_s

    @property
    def span_s(self) -> tuple[float, float]:
        return self.model.buffer.start_s - self.origin_s, 0.0

    @property
    def marks(self) -> list[Mark]:
        return [Mark(mark.time_s - self.origin_s, mark.text) for mark in self.model.marks]

    def ready(self, name: str) -> bool:
        return name in TRACE_INDEX

    def window(self, name: str, start_s: float, end_s: float, columns: int) -> Window:
        key = (start_s, end_s, columns, self.model.buffer.count)
        if self._kept is None or self._kept[0] != key:
            origin_s = self.origin_s
            all_ = self.model.buffer.window(start_s + origin_s, end_s + origin_s, columns)
            self._kept = key, Window(all_.times - origin_s, all_.low, all_.high, all_.reduced)
        whole, place = self._kept[1], TRACE_INDEX[name]
        return Window(whole.times, whole.low[place], whole.high[place], whole.reduced)

    def samples(self, name: str, start_s: float, end_s: float) -> tuple[Array, Array]:
        buffer, origin_s = self.model.buffer, self.origin_s
        found = buffer.window(start_s + origin_s, end_s + origin_s, buffer.capacity)
        values = np.asarray(found.low[TRACE_INDEX[name]], dtype=np.float64)
        return found.times - origin_s, values

    def value_at(self, name: str, time_s: float) -> float:
        found = self.model.buffer.sample_at(time_s + self.origin_s)
        return math.nan if found is None else float(found[1][TRACE_INDEX[name]])

    def statistics(self, name: str, start_s: float, end_s: float) -> Statistics:
        values = self.samples(name, start_s, end_s)[1]
        values = values[np.isfinite(values)]
        if not len(values):
            return NONE
        mean, square = float(values.mean()), float(values @ values) / len(values)
        return Statistics(len(values), mean, math.sqrt(square), float(values.std()))
