"""A widget that draws the model's latest row each time it is updated."""

from __future__ import annotations

from PySide6.QtCore import QSize
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.bench import OperateModel
from ui.dashboard.widgets import Sizes, SketchPainter, Theme


class LiveDrawing(QWidget):
    """Base of the pictures: they define ``draw``, and ``LEAST``, the least width and height."""

    NAME = ""
    LEAST = (0, 0)

    def __init__(self, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.model = model
        self.theme = theme
        self.sizes = sizes
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(self.NAME)

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        self.theme, self.sizes = theme, sizes
        self.update()

    def minimumSizeHint(self) -> QSize:
        width, height = self.LEAST
        return QSize(self.sizes.px(width), self.sizes.px(height))

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        self.draw(SketchPainter(painter, self.theme, self.sizes, self.font()))
        painter.end()

    def draw(self, draw: SketchPainter) -> None:
        """Draw one frame on the whole widget."""
        raise NotImplementedError
