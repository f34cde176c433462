"""A plot in the colours and fonts of the dashboard."""

from __future__ import annotations

from typing import Any

import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPen

from ui.dashboard.widgets.theme import Sizes, Theme

GRID_ALPHA = 0.18
LEGEND_ALPHA = 120  # of 255: the line below it must be seen


class ThemedPlot(pyqtgraph.PlotWidget):  # type: ignore[misc]  # a library without types
    """A plot without frame, menu and focus; the mouse moves it only if that is enabled.

    Args:
        axes: axis items by side, in place of the library's own.
    """

    def __init__(self, theme: Theme, sizes: Sizes, axes: dict[str, Any] | None = None) -> None:
        # The library's menus take a third of the time to build a plot, and outlive it.
        super().__init__(background=theme.ground, axisItems=axes, enableMenu=False)
        self.theme, self.sizes = theme, sizes
        self.setFrameShape(pyqtgraph.QtWidgets.QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setMouseEnabled(False, False)
        self.hideButtons()
        self.showGrid(x=True, y=True, alpha=GRID_ALPHA)
        self.letters = QFont(self.font())
        self.letters.setPointSizeF(sizes.text_pt)
        self.text_size = f"{sizes.text_pt}pt"
        for side in ("left", "bottom"):
            axis = self.getAxis(side)
            axis.setPen(QColor(theme.quiet))
            axis.setTextPen(QColor(theme.ink))
            axis.setStyle(tickFont=self.letters)
            axis.enableAutoSIPrefix(False)

    def widen_left_axis(self, widest: str, more_px: float = 0.0) -> None:
        """Give the left axis the width of a text, so that stacked plots are aligned."""
        width = QFontMetricsF(self.letters).horizontalAdvance(widest)
        self.getAxis("left").setWidth(round(width + more_px))

    def add_legend(self, offset: tuple[int, int], veiled: bool = True) -> Any:
        """Return a legend at an offset in pixels from its corner; veiled, it dims what lies below."""
        veil = None
        if veiled:
            veil = QColor(self.theme.raised)
            veil.setAlpha(LEGEND_ALPHA)
        return self.addLegend(
            offset=offset, labelTextColor=self.theme.ink, labelTextSize=self.text_size, brush=veil
        )


def cosmetic_pen(
    colour: str | QColor, width_px: float, style: Qt.PenStyle = Qt.PenStyle.SolidLine
) -> QPen:
    """Return a pen of constant width, however the plot is scaled."""
    pen = QPen(QColor(colour), width_px, style)
    pen.setCosmetic(True)
    return pen
