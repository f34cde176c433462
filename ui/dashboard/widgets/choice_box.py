"""A combo box in the colours of the dashboard."""

from __future__ import annotations

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QComboBox

from ui.dashboard.widgets.theme import Sizes, Theme


class ChoiceBox(QComboBox):
    """A combo box with a plain triangle: with a style sheet Qt draws its own raised button."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._theme = theme
        self._edge = edge = sizes.px(3)
        self.setStyleSheet(
            f"QComboBox {{ background: {theme.raised}; color: {theme.ink}; border: 1px solid "
            f"{theme.rule}; border-radius: {edge}px; padding: {edge}px {2 * edge}px; }}"
            f"QComboBox::drop-down {{ border: none; width: {6 * edge}px; }}"
            f"QComboBox:focus {{ border: 2px solid {theme.accent}; }}"
            f"QComboBox:disabled {{ color: {theme.disabled}; background: {theme.strip}; }}"
            f"QComboBox QAbstractItemView {{ background: {theme.raised}; color: {theme.ink}; "
            f"selection-background-color: {theme.accent}; selection-color: {theme.on_accent}; }}"
        )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        # Letters and digits are keys of the page; Qt would choose an entry with them, as it still
        # does in the open list.
        text = event.text()
        if text.isprintable() and text.strip():
            event.ignore()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(Qt.PenStyle.NoPen)
        theme, wide = self._theme, max(4.0, 1.4 * self._edge)
        painter.setBrush(QColor(theme.quiet if self.isEnabled() else theme.disabled))
        middle = QPointF(self.width() - 4 * self._edge, self.height() / 2)
        corners = (QPointF(-wide, -wide / 2), QPointF(wide, -wide / 2), QPointF(0, wide / 2))
        painter.drawPolygon(QPolygonF([middle + corner for corner in corners]))
        painter.end()
