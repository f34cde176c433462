"""A chart of what limits a combination, with what is wanted as points."""

from __future__ import annotations

import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPen

from hil.sizing import Chart
from ui.dashboard.widgets import ChangeGuard, Sizes, Theme

# Told apart by line as well as by colour.
STYLES = (
    Qt.PenStyle.SolidLine,
    Qt.PenStyle.DashLine,
    Qt.PenStyle.DotLine,
    Qt.PenStyle.DashDotLine,
    Qt.PenStyle.DashDotDotLine,
)

DASHES = ("——", "– –", "····", "–·–·", "–··–")

NAMES_A_LINE = 2  # as many as half the page is wide, in the smallest window


class LimitChart(pyqtgraph.PlotWidget):  # type: ignore[misc]  # a library without types
    """Curves that bound, points that are wanted; drawn anew for each chart that is shown."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__(background=theme.ground)
        self.theme, self.sizes = theme, sizes
        self.setFrameShape(pyqtgraph.QtWidgets.QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setMouseEnabled(False, False)
        self.setMenuEnabled(False)
        self.hideButtons()
        self.showGrid(x=True, y=True, alpha=0.18)
        font = QFont(self.font())
        font.setPointSizeF(sizes.text_pt)
        self._font = font
        for side in ("left", "bottom"):
            axis = self.getAxis(side)
            axis.setPen(QColor(theme.quiet))
            axis.setTextPen(QColor(theme.ink))
            axis.setStyle(tickFont=font)
            axis.enableAutoSIPrefix(False)
        width = QFontMetricsF(font).horizontalAdvance("00000")
        self.getAxis("left").setWidth(round(width) + sizes.px(8))
        self._shown = ChangeGuard()

    def show_chart(self, chart: Chart) -> None:
        """Draw a chart without its title; drawn already, nothing is done."""
        if self._shown.already(chart):
            return
        theme = self.theme
        item = self.getPlotItem()
        item.clear()
        self.setLogMode(x=chart.x_log, y=False)
        colours = self._colours()
        for i, curve in enumerate(chart.curves):
            pen = QPen(QColor(colours[i % 5]), 2.5, STYLES[i % 5])
            pen.setCosmetic(True)
            self.plot(curve.x, curve.y, pen=pen)
        placed: list[tuple[float, float]] = []
        for name, x, y in chart.points:
            self.plot(
                [x],
                [y],
                pen=None,
                symbol="o",
                symbolSize=self.sizes.px(9),
                symbolBrush=QColor(theme.ink),
                symbolPen=None,
            )
            if (x, y) in placed:
                continue  # one name at a place
            placed.append((x, y))
            text = pyqtgraph.TextItem(name, color=theme.ink, anchor=(-0.1, 0.8))
            text.setFont(self._font)
            text.setPos(_log(x) if chart.x_log else x, y)
            self.addItem(text)
        top = max(float(c.y.max()) for c in chart.curves)
        item.setYRange(0.0, 1.05 * top, padding=0)
        item.enableAutoRange(axis="x")

    def names(self, chart: Chart) -> str:
        """Return the curves' names beside their lines, as rich text: a legend that hides none."""
        parts = [
            f'<span style="color:{colour}"><b>{dash}</b></span>&nbsp;{curve.name.replace(" ", "&nbsp;")}'
            for curve, colour, dash in zip(chart.curves, self._colours(), DASHES, strict=False)
        ]
        lines = (parts[i : i + NAMES_A_LINE] for i in range(0, len(parts), NAMES_A_LINE))
        return "<br>".join("&nbsp; ".join(line) for line in lines)

    def _colours(self) -> tuple[str, ...]:
        theme = self.theme
        return theme.measured, theme.asked, theme.deflection, theme.force, theme.marker


def _log(x: float) -> float:
    from math import log10

    return log10(x) if x > 0 else 0.0
