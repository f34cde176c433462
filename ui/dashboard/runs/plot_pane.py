"""The view of a plot other than over time, with boxes to choose its columns."""

from __future__ import annotations

import math
from collections.abc import Callable

import pyqtgraph
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from ui.dashboard.runs.opened import Opened
from ui.dashboard.runs.plots import FREQUENCY, ORDER, OVER_COLUMN, Plot, coloured, title_of
from ui.dashboard.widgets import ChoiceBox, Sizes, Theme, ThemedPlot, cosmetic_pen

FIRST_X, FIRST_Y = "deflection_m", "spring_force_N"


class Axis(pyqtgraph.AxisItem):  # type: ignore[misc]  # a library without types
    """An axis whose logarithmic ticks have labels only at 1, 2 and 5: more would overlap."""

    def logTickStrings(self, values: list[float], scale: float, spacing: float) -> list[str]:
        words = []
        for value in values:
            number = 10.0**value
            digit = round(number / 10.0 ** math.floor(value + 1e-9))
            words.append(f"{number:.4g}" if digit in (1, 2, 5) else "")
        return words


class PlotPane(QWidget):
    """One plot.

    Args:
        chosen: called when another column has been chosen.
    """

    def __init__(self, theme: Theme, sizes: Sizes, chosen: Callable[[], object]) -> None:
        super().__init__()
        self.theme = theme
        self._scale = max(1.0, sizes.scale)
        self._names: list[str] = []
        self.boxes: dict[str, ChoiceBox] = {}
        row = QHBoxLayout()
        self._words: dict[str, QLabel] = {}
        for key, word in (("y", "Column"), ("x", "over")):
            box = ChoiceBox(theme, sizes)
            box.setAccessibleName(word)
            box.currentIndexChanged.connect(lambda _index: chosen())
            self.boxes[key] = box
            self._words[key] = QLabel(word)
            row.addWidget(self._words[key])
            row.addWidget(box)
        self.text = QLabel()
        self.text.setObjectName("quiet")
        self.text.setWordWrap(True)
        row.addWidget(self.text, 1)
        self.plot = ThemedPlot(theme, sizes, {side: Axis(side) for side in ("left", "bottom")})
        self.plot.setMouseEnabled(True, True)
        self.plot.widen_left_axis("−0000.00", 2.2 * sizes.text_pt)
        self.legend = self.plot.add_legend((-8, 4), veiled=False)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(row)
        column.addWidget(self.plot, 1)

    def offer(self, opened: Opened, kind: str) -> None:
        """Fill the boxes; what was chosen stays if the run has it."""
        names = [column.name for column in opened.columns]
        if names != self._names:
            self._names = names
            for key, first in (("x", FIRST_X), ("y", FIRST_Y)):
                box, before = self.boxes[key], self.name(key)
                box.blockSignals(True)
                box.clear()
                for name in names:
                    box.addItem(title_of(opened, name), name)
                wanted = before if before in names else first
                box.setCurrentIndex(max(0, names.index(wanted) if wanted in names else 0))
                box.blockSignals(False)
        for widget in (self.boxes["x"], self._words["x"]):
            widget.setVisible(kind == OVER_COLUMN)

    def name(self, key: str) -> str:
        """Return the column chosen for ``x`` or ``y``."""
        return str(self.boxes[key].currentData() or "")

    def show_plot(self, plot: Plot) -> None:
        self.text.setText(plot.text)
        item = self.plot.getPlotItem()
        item.clear()
        self.legend.clear()
        # Forces rise with what they act on, spectra fall: the legend is where nothing is drawn.
        corner = 0 if plot.kind == OVER_COLUMN else 1
        self.legend.anchor((corner, 0), (corner, 0), (-8 if corner else 8, 4))
        style = {"color": self.theme.ink, "font-size": self.plot.text_size}
        item.setLabel("bottom", plot.x_title, **style)
        item.setLabel("left", plot.y_title, **style)
        logarithmic = plot.kind == FREQUENCY
        item.setLogMode(x=logarithmic, y=logarithmic)
        for curve in plot.curves:
            colour = QColor(getattr(self.theme, curve.colour))
            pen = cosmetic_pen(colour, 1.5 * self._scale)
            name = curve.label if len(plot.curves) > 1 else None
            if curve.cells is None:
                item.plot(curve.x, curve.y, pen=pen, name=name)
                continue
            rgb = (colour.red(), colour.green(), colour.blue())
            image = pyqtgraph.ImageItem(coloured(curve.cells, rgb), axisOrder="col-major")
            (left, right), (low, high) = curve.x.tolist(), curve.y.tolist()
            image.setRect(QRectF(left, low, right - left, high - low))
            item.addItem(image)
            if name:
                item.plot([], [], pen=pen, name=name)
        item.enableAutoRange()


KINDS = (OVER_COLUMN, FREQUENCY, ORDER)
