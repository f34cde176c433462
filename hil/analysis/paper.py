"""Figures for print: the width of a column, lines that stay distinct in greyscale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hil.analysis.export import write_new
from hil.analysis.shown_units import short_name, shown_unit
from hil.recorder import RunError

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

FIGURE_ENDINGS = (".svg", ".pdf")
# Widths of one and of two columns of a paper, mm (common practice, no source).
WIDTHS_MM = {"single": 85.0, "double": 178.0}
PANEL_MM = 38.0
FOOT_MM = 10.0
TEXT_PT = 8.0
LINE_PT = 0.9
MOST_POINTS = 3000  # of a line: about six to a printed tenth of a millimetre
# Okabe and Ito's palette, dark ones first; each line has its own dash pattern and colour.
STYLES: tuple[tuple[str, Any], ...] = (
    ("#000000", "solid"),
    ("#0072b2", (0, (4, 1.2))),
    ("#d55e00", (0, (1, 1))),
    ("#009e73", (0, (6, 1.2, 1, 1.2))),
    ("#cc79a7", (0, (2.5, 1, 1, 1, 1, 1))),
    ("#e69f00", (0, (8, 2))),
)


@dataclass(frozen=True)
class Line:
    """A line of a figure. ``unit`` is that of ``values``, SI; equal ``panel`` shares an axis."""

    label: str
    unit: str
    times: NDArray[Any]
    values: NDArray[Any]
    panel: str = ""


def lines_of(table: Any, label: str = "") -> list[Line]:
    """Return the lines of a table as ``select`` gives it, over the seconds since its first sample."""
    times = table.column("time_s").to_numpy()
    found = []
    for name in table.column_names:
        if name != "time_s":
            unit = (table.schema.field(name).metadata or {}).get(b"unit", b"1").decode()
            values = table.column(name).to_numpy(zero_copy_only=False).astype(np.float64)
            text = f"{label} {short_name(name)}".strip()
            found.append(Line(text, unit, times - times[0], values, unit))
    return found


def draw_figure(lines: Sequence[Line], target: Path, width: str = "single") -> None:
    """Draw lines over time into an SVG or PDF file; text stays text.

    Args:
        width: ``single``, ``double``, or millimetres.

    Raises:
        RunError: nothing to draw, an invalid width, another ending, or the disk refuses.
    """
    wide_mm = WIDTHS_MM.get(width, 0.0)
    if not wide_mm:
        try:
            wide_mm = float(width)
        except ValueError:
            wide_mm = 0.0
        if not 30.0 <= wide_mm <= 600.0:
            raise RunError(f"width '{width}': take single, double, or 30 to 600 for millimetres")
    if not lines:
        raise RunError("a figure needs at least one column besides time")
    if target.suffix not in FIGURE_ENDINGS:
        raise RunError(f"'{target.name}' ends in none of {', '.join(FIGURE_ENDINGS)}")
    style: Any = {
        "font.size": TEXT_PT,
        "svg.fonttype": "none",
        "svg.hashsalt": "hookeline",
        "pdf.fonttype": 42,
        "axes.linewidth": 0.5,
    }
    import matplotlib  # slow to load
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with matplotlib.rc_context(style):
        canvas = _drawn(lines, wide_mm)
        svg = target.suffix == ".svg"
        (FigureCanvasSVG if svg else FigureCanvasPdf)(canvas)
        # Equal figures give equal files.
        unsaid = {"Date": None} if svg else {"CreationDate": None}
        write_new(
            target, lambda file: canvas.savefig(file, format=target.suffix[1:], metadata=unsaid)
        )


def _drawn(lines: Sequence[Line], wide_mm: float) -> Canvas:
    from matplotlib.figure import Figure as Canvas  # slow to load

    panels = list(dict.fromkeys(line.panel for line in lines))
    tall_mm = PANEL_MM * len(panels) + FOOT_MM
    canvas = Canvas(figsize=(wide_mm / 25.4, tall_mm / 25.4), layout="constrained")
    axes = canvas.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
    for axis, panel in zip(axes, panels, strict=True):
        here = [line for line in lines if line.panel == panel]
        unit, factor = shown_unit(here[0].unit)
        for i, line in enumerate(here):
            colour, dash = STYLES[i % len(STYLES)]
            times, values = thinned(line.times, line.values)
            axis.plot(
                times, values * factor, color=colour, linestyle=dash, lw=LINE_PT, label=line.label
            )
        axis.set_ylabel(unit)
        axis.grid(True, lw=0.3, color="#bbbbbb")
        axis.margins(x=0)
        axis.legend(fontsize=TEXT_PT - 1, frameon=False, handlelength=3.2, loc="best")
    axes[-1].set_xlabel("time (s)")
    return canvas


def thinned(
    times: NDArray[Any], values: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return at most ``MOST_POINTS`` points (m,), (m,): lowest and highest of each part, in order."""
    times, values = times.astype(np.float64), values.astype(np.float64)
    if len(times) <= MOST_POINTS:
        return times, values
    parts = np.array_split(np.arange(len(times)), MOST_POINTS // 2)
    kept = []
    for part in parts:
        piece = values[part]
        if np.isfinite(piece).any():
            kept += sorted((part[np.nanargmin(piece)], part[np.nanargmax(piece)]))
        else:
            kept.append(part[0])
    return times[kept], values[kept]
