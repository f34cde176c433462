"""Part of a run as a table: selected columns and seconds, resampled on request."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from hil.recorder import Run, RunError

MOST_ROWS = 50_000_000  # of a table at another rate; more is probably a typing error
GAP_PERIODS = 5.0  # a longer gap without samples is not interpolated


def select(
    run: Run,
    columns: Sequence[str] | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    rate_hz: float | None = None,
) -> Any:
    """Return columns of a run as an Arrow table; its fields carry ``unit`` and ``description``.

    Args:
        columns: names, all if None; ``time_s`` comes first in any case.
        start_s, end_s: since the run's first sample, both included; to its ends if None.
        rate_hz: None for the samples as recorded, bit by bit. At another rate ``time_s`` is even.
            Quantities are interpolated; below the recorded rate they are means of the samples half
            a period about each time, which prevents aliasing. Codes and
            counts are those of the last sample. Where samples are missing the result is NaN.

    Raises:
        RunError: a column or a sample is missing, or the rate is impossible.
    """
    names = list(dict.fromkeys(["time_s", *(columns or run.schema.names)]))
    times = np.asarray(run.column("time_s"), dtype=np.float64)
    if not len(times):
        raise RunError(f"run '{run.path.name}' holds no samples")
    begin = times[0] + (0.0 if start_s is None else start_s)
    end = times[-1] if end_s is None else times[0] + end_s
    first = int(np.searchsorted(times, begin))
    last = int(np.searchsorted(times, end, side="right"))
    if first >= last:
        raise RunError(
            f"run '{run.path.name}' has no sample from {begin - times[0]:g} s to "
            f"{end - times[0]:g} s; it ends at {times[-1] - times[0]:.3f} s"
        )
    for name in names:
        run.column(name)  # a missing one is reported with the nearest name
    if rate_hz is None:
        return _as_recorded(run, names, first, last)
    return _at_rate(run, names, times[first:last], slice(first, last), rate_hz)


def _as_recorded(run: Run, names: list[str], first: int, last: int) -> Any:
    arrays, fields = [], []
    for name in names:
        field = run.schema.field(name)
        values = run.column(name)[first:last]
        if pa.types.is_integer(field.type) and values.dtype.kind == "f":
            missing = np.isnan(values)  # a code that was not known
            whole = np.where(missing, 0.0, values).astype(np.int64)
            arrays.append(pa.array(whole, mask=missing).cast(field.type))
        else:
            arrays.append(pa.array(values, type=field.type))
        fields.append(field)
    return pa.table(arrays, schema=pa.schema(fields))


def _at_rate(
    run: Run, names: list[str], times: NDArray[np.float64], rows: slice, rate_hz: float
) -> Any:
    count = math.floor((times[-1] - times[0]) * rate_hz + 1e-6) + 1 if rate_hz > 0 else 0
    if not 0 < count <= MOST_ROWS:
        raise RunError(
            f"{rate_hz:g} Hz would give {max(count, 0)} samples; take a rate that gives 1 to "
            f"{MOST_ROWS}"
        )
    even = times[0] + np.arange(count) / rate_hz
    period = float(np.median(np.diff(times))) if len(times) > 1 else math.inf
    arrays, fields = [pa.array(even)], [run.schema.field("time_s")]
    for name in names[1:]:
        field = run.schema.field(name)
        values = run.column(name)[rows]
        if pa.types.is_integer(field.type):
            place = np.searchsorted(times, even + 1e-9 * period, side="right") - 1
            arrays.append(pa.array(values[np.maximum(place, 0)]))
            fields.append(field.with_type(arrays[-1].type))
            continue
        data = values.astype(np.float64)
        made = _means(times, data, even, rate_hz, period)
        arrays.append(pa.array(made))
        fields.append(field.with_type(pa.float64()))
    return pa.table(arrays, schema=pa.schema(fields))


def _means(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    even: NDArray[np.float64],
    rate_hz: float,
    period: float,
) -> NDArray[np.float64]:
    """Return values at even times, shape (m,): interpolated, or means of several samples each."""
    longest = GAP_PERIODS * period
    if 1.0 / rate_hz <= 1.5 * period:
        after = np.clip(np.searchsorted(times, even), 1, max(len(times) - 1, 1))
        if len(times) == 1:
            return np.where(even == times[0], values[0], np.nan)
        made = np.interp(even, times, values)
        exact = np.isin(even, times)
        gap = times[after] - times[after - 1] > longest
        return np.where(gap & ~exact, np.nan, made)
    edges = np.searchsorted(times, np.append(even - 0.5 / rate_hz, even[-1] + 0.5 / rate_hz))
    known = np.isfinite(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    number = np.diff(counts[edges])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.diff(sums[edges]) / np.where(number, number, np.nan)
