"""The big numbers above the drawing."""

from __future__ import annotations

from functools import partial

from PySide6.QtCore import QPointF, QSize
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.bench import OperateModel, Readout, readouts
from ui.dashboard.widgets import PreparedPicture, Sizes, Slice, Theme

SHARES = (0.345, 0.245, 0.225, 0.185)  # of the width, for each number


class Readouts(QWidget):
    """Numbers on one baseline, the first one larger, sized to be read across the bench."""

    def __init__(self, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.model = model
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Readings")
        self._prepared = PreparedPicture(self)
        self.apply_theme(theme, sizes)

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        self.theme, self.sizes = theme, sizes
        self.updateGeometry()
        self.update()

    def _font(self, points: float, weight: QFont.Weight = QFont.Weight.Normal) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(points)
        font.setWeight(weight)
        return font

    def sizeHint(self) -> QSize:
        text = QFontMetricsF(self._font(self.sizes.text_pt)).height()
        large = QFontMetricsF(self._font(self.sizes.large_pt)).capHeight()
        return QSize(self.sizes.px(400), round(2 * text + large + self.sizes.px(22)))

    minimumSizeHint = sizeHint

    def slices(self) -> list[Slice]:
        """Return the repainting in short parts."""
        return self._prepared.slices(
            [partial(self._paint, slice(2)), partial(self._paint, slice(2, 4))]
        )

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        if not self._prepared.show(painter):
            self._paint(slice(4), painter)
        painter.end()

    def _paint(self, which: slice, painter: QPainter) -> None:
        """Paint some of the four numbers."""
        painter.setRenderHint(QPainter.RenderHint.TextAntialiasing)
        text_font = self._font(self.sizes.text_pt)
        large = QFontMetricsF(self._font(self.sizes.large_pt, QFont.Weight.Bold))
        base = QFontMetricsF(text_font).height() + self.sizes.px(12) + large.capHeight()
        left = float(self.sizes.px(14))
        room = self.width() - left
        shown = readouts(self.model)
        for place in range(len(SHARES))[which]:
            points = self.sizes.figure_pt if place else self.sizes.large_pt
            x = left + room * sum(SHARES[:place])
            self._paint_one(painter, shown[place], x, base, points, text_font)

    def _paint_one(
        self,
        painter: QPainter,
        readout: Readout,
        x: float,
        base: float,
        points: float,
        text_font: QFont,
    ) -> None:
        theme = self.theme
        text = QFontMetricsF(text_font)
        painter.setFont(text_font)
        painter.setPen(QColor(theme.quiet))
        painter.drawText(QPointF(x, text.ascent() + self.sizes.px(3)), readout.label)
        if readout.below:
            below = base + text.ascent() + self.sizes.px(5)
            painter.drawText(QPointF(x, below), readout.below)
        figure_font = self._font(points, QFont.Weight.Bold)
        painter.setFont(figure_font)
        painter.setPen(QColor(theme.ink if self.model.link_well else theme.quiet))
        painter.drawText(QPointF(x, base), readout.value)
        x += QFontMetricsF(figure_font).horizontalAdvance(readout.value) + 0.25 * text.height()
        unit_font = self._font(max(self.sizes.text_pt, 0.5 * points))
        painter.setFont(unit_font)
        painter.drawText(QPointF(x, base), readout.unit)
        if readout.note:
            x += QFontMetricsF(unit_font).horizontalAdvance(readout.unit) + 0.5 * text.height()
            painter.setFont(self._font(max(self.sizes.text_pt, 0.4 * points)))
            painter.setPen(QColor(theme.quiet))
            painter.drawText(QPointF(x, base), readout.note)
