"""Plots of the evidence of a guided step."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import numpy as np
import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF, QPen

from hil.bringup import Plot, Trace
from ui.dashboard.guided.legend_room import legend_room
from ui.dashboard.widgets import Sizes, Theme, ThemedPlot, cosmetic_pen

PATTERNS = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashDotLine, Qt.PenStyle.DotLine)
LEGEND_OFF = 8
TALL = 0.45  # share of the plot beyond which a legend gets another column
FEW = 2  # expected lines that are named one by one
RANGE_MARGIN = 0.04  # of the range of the curves, above and below them


class EvidencePlot(ThemedPlot):
    """One plot of a step; lines differ in colour and dash, levels are dotted and named."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__(theme, sizes)
        self._colours = (
            theme.measured,
            theme.force,
            theme.deflection,
            theme.setpoint,
            theme.marker,
        )
        self._legend = self.add_legend((-LEGEND_OFF, LEGEND_OFF))
        self._legend.layout.setContentsMargins(4, 1, 4, 1)
        self._drawn: Plot | None = None
        self._names: dict[str, str | None] = {}  # in the legend, where it is not the label
        self.getViewBox().sigResized.connect(lambda: self._fit())

    def draw(self, plot: Plot | None) -> None:
        """Draw a plot, unless it is already drawn; nothing for None."""
        if plot is self._drawn:
            return
        before, self._drawn = self._drawn, plot
        item = self.getPlotItem()
        if plot is not None and _same_but_values(before, plot):
            for line, trace in zip(item.listDataItems(), plot.traces, strict=True):
                line.setData(trace.x, trace.y)
            self._fit()
            return
        item.clear()
        self._legend.clear()
        self._legend.setVisible(plot is not None and len(plot.traces) > 1)
        if plot is None:
            return
        ink = self.theme.ink
        item.setLabel("bottom", plot.x_label, color=ink, **{"font-size": self.text_size})
        axis = self.getAxis("bottom")
        axis.setHeight(QFontMetricsF(self.letters).height() + axis.label.boundingRect().height())
        self._names = _legend_names(plot)
        wide = max(2.0, 2.0 * self.sizes.scale)
        number = -1
        for trace in plot.traces:
            # An expected line is dashed, in the colour of the measured one just before it.
            expected = number >= 0 and trace.expected
            number += not expected
            pattern = PATTERNS[number // len(self._colours) % len(PATTERNS)]
            style = Qt.PenStyle.DashLine if expected else pattern
            self._line(trace, cosmetic_pen(self._colours[number % len(self._colours)], wide, style))
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
        self._fit()

    def _fit(self) -> None:
        """Lay out title and legend for the present size of the plotting area."""
        plot = self._drawn
        if plot is None:
            return
        self._write_title(plot)
        if len(plot.traces) > 1:
            self._place_legend(plot)

    def _write_title(self, plot: Plot) -> None:
        """Write the title in as many lines as it needs: a long line would widen the plot."""
        item = self.getPlotItem()
        metrics = QFontMetricsF(self.letters)
        wide = self.width() - self.getAxis("left").width() - 2 * LEGEND_OFF
        # A low plot has no room for the label of its axis.
        title = plot.title if plot.y_label in plot.title else f"{plot.title}: {plot.y_label}"
        parts = [title]
        if metrics.horizontalAdvance(title) > wide and title != plot.title:
            parts = [plot.title, plot.y_label]
        lines = [line for part in parts for line in _wrapped(part, metrics, wide)]
        text = "<br>".join(html.escape(line) for line in lines)
        if item.titleLabel.text != text:
            item.setTitle(text, color=self.theme.ink, size=self.text_size)
            item.titleLabel.setMaximumHeight(len(lines) * metrics.height() + LEGEND_OFF)

    def _place_legend(self, plot: Plot) -> None:
        """Put the legend where it hides no curve; if every corner has one, beyond the curves."""
        area = self.getViewBox().rect()
        legend = self._legend
        columns = 1
        self._lay_legend(1)
        while legend.height() > TALL * area.height() and columns < len(legend.items):
            self._lay_legend(columns + 1)
            if legend.width() > area.width() - 2 * LEGEND_OFF:
                self._lay_legend(columns)
                break
            columns += 1
        room = legend_room(
            [(trace.x, trace.y) for trace in plot.traces],
            (legend.width() + 2 * LEGEND_OFF) / max(area.width(), 1.0),
            (legend.height() + 2 * LEGEND_OFF) / max(area.height(), 1.0),
        )
        right, low = room.right, room.low
        legend.anchor(
            (right, low),
            (right, low),
            (-LEGEND_OFF if right else LEGEND_OFF, -LEGEND_OFF if low else LEGEND_OFF),
        )
        ends = [np.asarray(trace.y, dtype=float) for trace in plot.traces]
        ends.append(np.array([height for _, height in plot.levels]))
        values = np.concatenate(ends)
        values = values[np.isfinite(values)]
        if not len(values):
            return
        least, most = float(values.min()), float(values.max())
        span = (most - least) or 1.0
        margin, more = RANGE_MARGIN * span, room.more * span
        self.getPlotItem().setYRange(
            least - margin - (more if low else 0.0),
            most + margin + (0.0 if low else more),
            padding=0,
        )

    def _lay_legend(self, columns: int) -> None:
        """Lay out the legend in ``columns``; the library's own way keeps empty rows."""
        legend = self._legend
        layout = legend.layout
        while layout.count():
            layout.removeAt(layout.count() - 1)
        for place, (sample, label) in enumerate(legend.items):
            row, column = divmod(place, columns)
            layout.addItem(sample, row, 2 * column)
            layout.addItem(label, row, 2 * column + 1)
        legend.resize(layout.effectiveSizeHint(Qt.SizeHint.MinimumSize))
        layout.activate()

    def _line(self, trace: Trace, pen: QPen) -> None:
        line = self.plot(
            np.asarray(trace.x, dtype=float),
            np.asarray(trace.y, dtype=float),
            pen=pen,
            name=self._names.get(trace.label, trace.label),
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


def _legend_names(plot: Plot) -> dict[str, str | None]:
    """Return names in the legend by label: one entry for many expected lines."""
    expected = [trace.label for trace in plot.traces if trace.expected]
    if len(expected) <= FEW:
        return {}
    names: dict[str, str | None] = dict.fromkeys(expected)
    names[expected[0]] = f"dashed: {expected[0].rpartition(', ')[2]}"
    return names


def _wrapped(text: str, metrics: QFontMetricsF, width_px: float) -> list[str]:
    """Break a text into lines that fit, at its blanks."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and metrics.horizontalAdvance(longer) > width_px:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def live_plots(rows: Sequence[tuple[float, float, float]]) -> tuple[Plot | None, Plot | None]:
    """Return plots of nut position and spring force of the last seconds, while a step runs.

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
