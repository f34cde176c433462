"""Any over any, spectra over frequency and over orders: computed without Qt, from a selection."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.analysis import frequency_spectrum, order_spectrum, short_name, shown_unit
from hil.recorder import RunError
from ui.dashboard.runs.opened import Opened
from ui.dashboard.runs.picture_view import COLOURS
from ui.dashboard.runs.series import Array

OVER_COLUMN, FREQUENCY, ORDER = "Any over any", "Spectrum", "Orders"
CELLS = (420, 300)  # of a picture of one column over another
MOST_LINE = 4000  # samples that are joined by a line; more are drawn as cells, every one of them
TURN_COLUMN = "nut_position_m"


@dataclass(frozen=True)
class Drawn:
    """One curve, or cells with the number of samples in each, shape ``CELLS``."""

    label: str
    colour: str
    x: Array
    y: Array
    cells: NDArray[np.int64] | None = None


@dataclass(frozen=True)
class Plot:
    """Curves with their titles; ``text`` says what they are made of, or why there are none."""

    kind: str
    x_title: str
    y_title: str
    curves: tuple[Drawn, ...]
    text: str


def title_of(opened: Opened, name: str) -> str:
    """Return name and unit of a column."""
    unit = next((column.unit for column in opened.columns if column.name == name), "1")
    shown = shown_unit(unit)[0]
    return f"{short_name(name)} ({shown})" if shown else short_name(name)


def factor_of(opened: Opened, name: str) -> float:
    return next((shown_unit(c.unit)[1] for c in opened.columns if c.name == name), 1.0)


def make_plot(opened: Opened, kind: str, x: str, y: str, span_s: tuple[float, float]) -> Plot:
    """Compute a plot of the samples in ``span_s`` of the picture's time; columns must be read."""
    curves: list[Drawn] = []
    texts: list[str] = []
    factor = factor_of(opened, y)
    for k, series in enumerate(opened.series):
        begin, end = (time_s - opened.shifts[k] for time_s in span_s)
        colour = COLOURS[k % len(COLOURS)]
        times, values = series.samples(y, begin, end)
        try:
            if kind == OVER_COLUMN:
                across = series.samples(x, begin, end)[1] * factor_of(opened, x)
                curves.append(_over(series.name, colour, across, values * factor))
                texts.append(f"{len(values)} samples")
                continue
            if kind == FREQUENCY:
                found = frequency_spectrum(times, values)
            elif opened.lead_m is None:
                raise RunError("the run does not record the lead of its screw")
            else:
                turns = series.samples(TURN_COLUMN, begin, end)[1] / opened.lead_m
                found = order_spectrum(turns, values)
            curves.append(Drawn(series.name, colour, found.places, found.amplitudes * factor))
            of = "Hz" if kind == FREQUENCY else "order"
            texts.append(f"{found.segments:.0f} segments, step {found.step:.3g} {of}")
        except RunError as error:
            texts.append(str(error))
    unit = title_of(opened, y)
    if kind == FREQUENCY:
        titles = ("frequency (Hz)", f"{unit.removesuffix(')')}/√Hz)" if "(" in unit else unit)
    else:
        titles = (title_of(opened, x) if kind == OVER_COLUMN else "order (per motor turn)", unit)
    span = f"{span_s[0]:.3f} to {span_s[1]:.3f} s"
    return Plot(kind, *titles, tuple(curves), f"{span}: {'; '.join(texts)}")


def _over(label: str, colour: str, x: Array, y: Array) -> Drawn:
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    if not len(x):
        raise RunError("no sample has both values")
    if len(x) <= MOST_LINE:
        return Drawn(label, colour, x, y)
    edges = [np.array(_span(values)) for values in (x, y)]
    place = [
        np.minimum(((values - low) / (high - low) * size).astype(np.int64), size - 1)
        for values, (low, high), size in zip((x, y), edges, CELLS, strict=True)
    ]
    counts = np.bincount(place[0] * CELLS[1] + place[1], minlength=CELLS[0] * CELLS[1])
    return Drawn(label, colour, edges[0], edges[1], counts.reshape(CELLS))


def _span(values: Array) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    spread = max(high - low, 1e-9 * max(abs(low), abs(high)), 1e-12)
    return low, low + spread


def coloured(cells: NDArray[np.int64], rgb: tuple[int, int, int]) -> NDArray[Any]:
    """Return cells as an image (n, m, 4) of bytes: clear without samples, darker with more."""
    image = np.zeros((*cells.shape, 4), dtype=np.uint8)
    image[..., :3] = rgb
    share = np.log1p(cells) / max(float(np.log1p(cells.max())), 1e-9)
    image[..., 3] = np.where(cells > 0, 90 + 165 * share, 0).astype(np.uint8)
    return image
