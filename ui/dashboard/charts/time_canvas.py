"""A drawing over time, moved by mouse and keys: drag, click for cursors, step by keys."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QFont, QKeyEvent, QMouseEvent, QPainter, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.charts.time_view import TimeView
from ui.dashboard.widgets import Sizes, Theme

DRAG_PIXELS = 4


class TimeCanvas(QWidget):
    """Base of what is drawn over one time axis.

    Attributes:
        view: the stretch of time that is drawn.
    """

    view_changed = Signal()

    def __init__(self, view: TimeView, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.view = view
        self.theme = theme
        self.sizes = sizes
        self._pressed: QPointF | None = None
        self._dragging = False
        self._pressed_start_s = 0.0
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def time_axis(self) -> QRectF | None:
        """Return a plotting area as wide as what is in view, logical pixels; None while empty."""
        raise NotImplementedError

    def click_cursor(self, which: int, x: float) -> None:
        """Put a cursor at a place in logical pixels from the left."""
        self.view.place_cursor(which, self.time_at(x))

    def act_by_key(self, key: int) -> bool:
        """Handle a further key; return whether it was handled."""
        return False

    def text_font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        return font

    def time_at(self, x: float) -> float:
        """Return the time in s at a place in logical pixels from the left."""
        start_s, end_s = self.view.seen
        axis = self.time_axis()
        if axis is None:
            return start_s
        return start_s + (x - axis.left()) / axis.width() * (end_s - start_s)

    def changed(self) -> None:
        self.view_changed.emit()
        self.update()

    def paint_focus(self, painter: QPainter) -> None:
        """Draw a frame if the widget has the focus."""
        if self.hasFocus():
            painter.setPen(QPen(QColor(self.theme.accent), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self.rect().adjusted(1, 1, -1, -1))

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._pressed = event.position()
        self._dragging = False
        self._pressed_start_s = self.view.seen[0]

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        axis = self.time_axis()
        if self._pressed is None or axis is None:
            return
        moved = event.position().x() - self._pressed.x()
        if not self._dragging and abs(moved) < DRAG_PIXELS:
            return
        self._dragging = True
        self.setCursor(Qt.CursorShape.ClosedHandCursor)
        start_s, end_s = self.view.seen
        per_pixel_s = (end_s - start_s) / axis.width()
        self.view.scroll(self._pressed_start_s - moved * per_pixel_s - start_s)
        self.changed()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        if self._pressed is not None and not self._dragging:
            second = bool(
                event.modifiers() & Qt.KeyboardModifier.ShiftModifier
                or event.button() == Qt.MouseButton.RightButton
            )
            self.click_cursor(1 if second else 0, event.position().x())
            self.changed()
        self._pressed = None
        self.unsetCursor()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.view.cursors = []
        self._pressed = None
        self.changed()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key, modifiers = event.key(), event.modifiers()
        start_s, end_s = self.view.seen
        window_s = end_s - start_s
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right):
            axis = self.time_axis()
            step_s = window_s / max(axis.width() if axis is not None else 1.0, 1.0)
            if modifiers & Qt.KeyboardModifier.ControlModifier:
                step_s *= 10
            self.view.move_cursor(
                step_s if key == Qt.Key.Key_Right else -step_s,
                bool(modifiers & Qt.KeyboardModifier.ShiftModifier),
            )
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown):
            self.view.scroll((-window_s if key == Qt.Key.Key_PageUp else window_s) / 2)
        elif not self.act_by_key(key):
            event.ignore()
            return
        self.changed()
