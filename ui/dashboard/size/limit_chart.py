"""A chart of what limits a combination, with the requirements as points."""

from __future__ import annotations

import math
from itertools import groupby

import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor

from hil.sizing import Chart
from ui.dashboard.widgets import ChangeGuard, Sizes, Theme, ThemedPlot, cosmetic_pen, log_ticks

# Told apart by line as well as by colour.
STYLES = (
    Qt.PenStyle.SolidLine,
    Qt.PenStyle.DashLine,
    Qt.PenStyle.DotLine,
    Qt.PenStyle.DashDotLine,
    Qt.PenStyle.DashDotDotLine,
)

DASHES = ("——", "– –", "····", "–·–·", "–··–")

MOST_ABOVE = 2.4  # the axis reaches this many times the largest requirement
CLOSE_X, CLOSE_Y = 0.08, 0.12  # of the axes: as large as a label in the smallest window
NAMES_A_LINE = 2  # as many as fit half the page, in the smallest window


class LimitChart(ThemedPlot):
    """Plot of limiting curves and required points, redrawn for each chart that is shown."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__(theme, sizes)
        self.widen_left_axis("00000", sizes.px(8))
        self._shown = ChangeGuard()
        for side in ("left", "bottom"):
            self.getAxis(side).setStyle(showValues=False)  # no numbers until there is a chart

    def show_chart(self, chart: Chart) -> None:
        """Draw a chart without its title, unless it is already drawn."""
        if self._shown.already(chart):
            return
        theme = self.theme
        item = self.getPlotItem()
        item.clear()
        for side in ("left", "bottom"):
            self.getAxis(side).setStyle(showValues=True)
        self.setLogMode(x=chart.x_log, y=False)
        colours = self._colours()
        wide = max(2.5, 2.5 * self.sizes.scale)
        for i, curve in enumerate(chart.curves):
            self.plot(curve.x, curve.y, pen=cosmetic_pen(colours[i % 5], wide, STYLES[i % 5]))
        for _, x, y in chart.points:
            self.plot(
                [x],
                [y],
                pen=None,
                symbol="o",
                symbolSize=self.sizes.px(9),
                symbolBrush=QColor(theme.ink),
                symbolPen=None,
            )
        top = _top(chart)
        for numbers, x, y in _labels(chart, top):
            text = pyqtgraph.TextItem(numbers, color=theme.ink, anchor=(-0.25, 0.55))
            text.setFont(self.letters)
            text.setPos(x, y)
            self.addItem(text)
        item.setYRange(0.0, top, padding=0)
        item.enableAutoRange(axis="x")
        ticks = None
        if chart.x_log:
            across = [_x(chart, float(x)) for curve in chart.curves for x in curve.x if x > 0]
            ticks = [log_ticks(min(across), max(across))]
        self.getAxis("bottom").setTicks(ticks)

    def names(self, chart: Chart) -> str:
        """Return names of curves and points as rich text: a legend that hides none."""
        parts = []
        if len(chart.curves) > 1:
            parts = [
                f'<span style="color:{colour}"><b>{dash}</b></span>&nbsp;{_unbroken(curve.name)}'
                for curve, colour, dash in zip(chart.curves, self._colours(), DASHES, strict=False)
            ]
        lines = [
            "&nbsp; ".join(parts[i : i + NAMES_A_LINE]) for i in range(0, len(parts), NAMES_A_LINE)
        ]
        lines.append("● " + ", ".join(_point_names([name for name, _, _ in chart.points])))
        return "<br>".join(lines)

    def _colours(self) -> tuple[str, ...]:
        theme = self.theme
        return theme.measured, theme.setpoint, theme.deflection, theme.force, theme.marker


def _unbroken(name: str) -> str:
    return name.replace(" ", "&nbsp;")


def _point_names(names: list[str]) -> list[str]:
    """Return each number with its name; names that differ only in the last word are grouped."""
    said = []
    numbered = enumerate(names, 1)
    for kind, group in groupby(numbered, lambda one: one[1].rpartition(" ")[0] or one[1]):
        members = list(group)
        first, last = members[0][0], members[-1][0]
        if len(members) == 1:
            said.append(f"<b>{first}</b>&nbsp;{_unbroken(members[0][1])}")
        else:
            lasts = ", ".join(name.rpartition(" ")[2] for _, name in members)
            said.append(f"<b>{first}–{last}</b>&nbsp;{_unbroken(kind)} {lasts}")
    return said


def _x(chart: Chart, x: float) -> float:
    """Return the place of a value on the axis."""
    if not chart.x_log:
        return x
    return math.log10(x) if x > 0 else 0.0


def _top(chart: Chart) -> float:
    """Return the upper end of the axis: all curves, but low enough to separate requirements."""
    curves = 1.05 * max(float(c.y.max()) for c in chart.curves)
    required = max((y for _, _, y in chart.points), default=curves)
    return min(curves, MOST_ABOVE * required)


def _labels(chart: Chart, top: float) -> list[tuple[str, float, float]]:
    """Return (numbers, x, y) of the labels; points that are too close share one."""
    places = [_x(chart, float(x)) for curve in chart.curves for x in curve.x]
    wide = (max(places) - min(places)) or 1.0
    groups: list[tuple[list[int], float, float]] = []
    for number, (_, x, y) in enumerate(chart.points, 1):
        at = _x(chart, x)
        for numbers, other, high in groups:
            if abs(at - other) < CLOSE_X * wide and abs(y - high) < CLOSE_Y * top:
                numbers.append(number)
                break
        else:
            groups.append(([number], at, y))
    return [(", ".join(map(str, numbers)), x, y) for numbers, x, y in groups]
