"""A whole number to step or type, in the style of the dashboard."""

from __future__ import annotations

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QSpinBox

from ui.dashboard.widgets.theme import Sizes, Theme


class CountBox(QSpinBox):
    """A spin box with plain triangles: with a style sheet Qt draws its own raised buttons.

    Letters are not part of a number: they are passed on as keys of the page.
    """

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._theme = theme
        self._wide = wide = sizes.px(18)
        self.setStyleSheet(
            "QSpinBox::up-button, QSpinBox::down-button { border: none; background: transparent; "
            f"width: {wide}px; }}"
            "QSpinBox::up-arrow, QSpinBox::down-arrow { width: 0px; height: 0px; }"
        )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.text().isalpha():
            event.ignore()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        theme, half = self._theme, self._wide / 4.5
        painter.setBrush(QColor(theme.quiet if self.isEnabled() else theme.disabled))
        x = self.width() - 0.6 * self._wide
        for down in (-1.0, 1.0):
            y = self.height() / 2 + down * self.height() / 5
            corners = (QPointF(-half, 0.0), QPointF(half, 0.0), QPointF(0.0, down * half))
            painter.drawPolygon(QPolygonF([QPointF(x, y) + corner for corner in corners]))
        painter.end()
