"""Evidence of a step of the bring-up: plots, and figures, findings and fixes in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QPen

from hil.bringup import Plot, Trace
from ui.dashboard.widgets import Sizes, Theme, ThemedPlot, cosmetic_pen

PATTERNS = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashDotLine, Qt.PenStyle.DotLine)
CORNERS = ((1, 0), (0, 0), (1, 1), (0, 1))  # right and left above, right and left below
CORNER_WIDE, CORNER_HIGH = 0.4, 0.4  # of a plot, what a legend may cover
LEGEND_OFF = 8
LONG_TITLE = 44  # letters; a longer one would widen the plot beyond its place
TITLE_PX = 30


class EvidencePlot(ThemedPlot):
    """One plot of a step; lines differ in colour and dash, levels are dotted and named."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__(theme, sizes)
        self._colours = (theme.measured, theme.force, theme.deflection, theme.asked, theme.marker)
        self._legend = self.add_legend((-LEGEND_OFF, LEGEND_OFF))
        self._drawn: Plot | None = None

    def draw(self, plot: Plot | None) -> None:
        """Draw it, unless it is drawn already; nothing for None."""
        if plot is self._drawn:
            return
        before, self._drawn = self._drawn, plot
        item = self.getPlotItem()
        if plot is not None and _same_but_values(before, plot):
            for line, trace in zip(item.listDataItems(), plot.traces, strict=True):
                line.setData(trace.x, trace.y)
            return
        item.clear()
        self._legend.clear()
        self._legend.setVisible(plot is not None and len(plot.traces) > 1)
        if plot is None:
            return
        ink = self.theme.ink
        item.setLabel("bottom", plot.x_label, color=ink, **{"font-size": self.text_size})
        # Beside a low plot there is no room for what its axis shows.
        title = plot.title if plot.y_label in plot.title else f"{plot.title}: {plot.y_label}"
        long = len(title) > LONG_TITLE
        item.setTitle(
            f"{plot.title}<br>{plot.y_label}" if long else title, color=ink, size=self.text_size
        )
        item.titleLabel.setMaximumHeight((2 if long else 1) * TITLE_PX)
        number = -1
        for trace in plot.traces:
            # What was expected is dashed, in the colour of what was measured just before it.
            expected = number >= 0 and trace.expected
            number += not expected
            pattern = PATTERNS[number // len(self._colours) % len(PATTERNS)]
            style = Qt.PenStyle.DashLine if expected else pattern
            self._line(trace, cosmetic_pen(self._colours[number % len(self._colours)], 2, style))
        right, low = _free_corner(plot)
        self._legend.anchor(
            (right, low),
            (right, low),
            (-LEGEND_OFF if right else LEGEND_OFF, -LEGEND_OFF if low else LEGEND_OFF),
        )
        for name, height in plot.levels:
            if math.isfinite(height):
                line = pyqtgraph.InfiniteLine(
                    height,
                    angle=0,
                    pen=cosmetic_pen(ink, 1, Qt.PenStyle.DotLine),
                    label=name,
                    labelOpts={"color": ink, "position": 0.9},
                )
                line.label.setFont(self.letters)
                item.addItem(line)
        item.enableAutoRange()

    def _line(self, trace: Trace, pen: QPen) -> None:
        line = self.plot(
            np.asarray(trace.x, dtype=float),
            np.asarray(trace.y, dtype=float),
            pen=pen,
            name=trace.label,
            connect="finite",
        )
        # A line may have more points than pixels.
        line.setDownsampling(auto=True, method="peak")
        line.setClipToView(True)


def _same_but_values(before: Plot | None, plot: Plot | None) -> bool:
    if before is None or plot is None or before.levels != plot.levels:
        return False
    return _labels(before) == _labels(plot)


def _labels(plot: Plot) -> list[str]:
    return [plot.title, plot.x_label, plot.y_label, *(t.label for t in plot.traces)]


def _free_corner(plot: Plot) -> tuple[int, int]:
    """(right, low) of the corner with the fewest points in it."""
    x = np.concatenate([np.asarray(t.x, dtype=float) for t in plot.traces])
    y = np.concatenate([np.asarray(t.y, dtype=float) for t in plot.traces])
    good = np.isfinite(x) & np.isfinite(y)
    if not good.any():
        return CORNERS[0]
    x, y = x[good], y[good]
    across = (x - x.min()) / (float(np.ptp(x)) or 1.0)
    up = (y - y.min()) / (float(np.ptp(y)) or 1.0)

    def crowd(corner: tuple[int, int]) -> int:
        right, low = corner
        beside = across > 1 - CORNER_WIDE if right else across < CORNER_WIDE
        within = up < CORNER_HIGH if low else up > 1 - CORNER_HIGH
        return int(np.count_nonzero(beside & within))

    return min(CORNERS, key=crowd)


def live_plots(rows: Sequence[tuple[float, float, float]]) -> tuple[Plot | None, Plot | None]:
    """Nut position and spring force of the last seconds, while a step runs.

    Args:
        rows: time in s, nut in m, force in N.
    """
    if len(rows) < 2:
        return None, None
    table = np.array(rows)
    ago = table[:, 0] - table[-1, 0]
    nut = Trace("nut", ago, 1e3 * table[:, 1])
    force = Trace("spring force", ago, table[:, 2])
    return (
        Plot("As it runs: nut position (mm)", "time (s)", "nut position (mm)", (nut,)),
        Plot("As it runs: spring force (N)", "time (s)", "spring force (N)", (force,)),
    )
