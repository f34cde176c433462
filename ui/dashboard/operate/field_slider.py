"""A slider that shows the permitted range: ends as numbers, hatched where the bench limits."""

from __future__ import annotations

import math

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from ui.dashboard.bench import Field
from ui.dashboard.widgets import Sizes, SketchPainter, Theme


class FieldSlider(QWidget):
    """Slider for ``field.value``; emits ``moved`` whenever the operator changes it."""

    moved = Signal()

    def __init__(self, field: Field, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.field = field
        self.theme = theme
        self.sizes = sizes
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(field.label)
        self.setAccessibleDescription(
            f"{field.shown(field.low)} to {field.shown(field.high)} {field.unit}"
        )

    def _font(self) -> QFont:
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        return font

    def sizeHint(self) -> QSize:
        line = QFontMetricsF(self._font()).height()
        return QSize(self.sizes.px(120), round(self.sizes.px(16) + line))

    minimumSizeHint = sizeHint

    def _groove(self) -> QRectF:
        inset = self.sizes.px(10)
        return QRectF(inset, 0, self.width() - 2 * inset, self.sizes.px(16))

    def _x(self, value: float) -> float:
        groove = self._groove()
        field = self.field
        share = (value - field.low) / (field.high - field.low)
        return groove.left() + min(max(share, 0.0), 1.0) * groove.width()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        theme, sizes, field = self.theme, self.sizes, self.field
        draw = SketchPainter(painter, theme, sizes, self.font())
        groove = self._groove()
        middle, half = groove.center().y(), sizes.px(3)
        live = self.isEnabled()
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(theme.rule))
        painter.drawRect(QRectF(groove.left(), middle - half, groove.width(), 2 * half))
        origin = self._x(0.0 if field.low < 0 < field.high else field.low)
        here = self._x(field.value)
        painter.setBrush(QColor(theme.accent if live else theme.disabled))
        left, right = min(origin, here), max(origin, here)
        painter.drawRect(QRectF(left, middle - half, right - left, 2 * half))
        if field.bound is not None and field.bound < field.high:
            start = self._x(field.bound)
            band = QRectF(start, middle - 2 * half, groove.right() - start, 4 * half)
            draw.hatch(band, theme.nut, 5.0)
            draw.line(start, band.top() - 1, start, band.bottom() + 1, draw.narrow(theme.nut))
        if origin > groove.left():
            draw.line(origin, middle - 2 * half, origin, middle + 2 * half, draw.narrow())
        radius = sizes.px(7)
        if self.hasFocus():
            painter.setPen(QPen(QColor(theme.accent), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawEllipse(QPointF(here, middle), radius + 3, radius + 3)
        painter.setPen(draw.pen(theme.ink if live else theme.disabled, 1.8))
        painter.setBrush(QColor(theme.raised))
        painter.drawEllipse(QPointF(here, middle), radius, radius)
        below = groove.bottom() + draw.line_height / 2
        draw.text(groove.left(), below, field.shown(field.low), theme.quiet)
        over = field.bound is not None and field.value > field.bound
        end = field.bound_text if over else field.shown(field.high)
        draw.text(
            groove.right(), below, end, theme.warning if over else theme.quiet, anchor="right"
        )
        painter.end()

    def _set(self, value: float) -> None:
        before = self.field.value
        self.field.value = value
        self.field.nudge(0)
        if self.field.value != before:
            self.moved.emit()
        self.update()

    def _at(self, x: float) -> float:
        groove = self._groove()
        share = (x - groove.left()) / groove.width()
        return self.field.low + min(max(share, 0.0), 1.0) * (self.field.high - self.field.low)

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self._set(self._at(event.position().x()))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if event.buttons():
            self._set(self._at(event.position().x()))

    def wheelEvent(self, event: QWheelEvent) -> None:
        # Scrolling past with the wheel must not change a setting.
        event.ignore()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        steps = {
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_Up: 1,
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Down: -1,
            Qt.Key.Key_PageUp: 10,
            Qt.Key.Key_PageDown: -10,
            Qt.Key.Key_Home: -math.inf,
            Qt.Key.Key_End: math.inf,
        }.get(Qt.Key(event.key()))
        if steps is None:
            event.ignore()
            return
        field = self.field
        if math.isinf(steps):
            self._set(field.high if steps > 0 else field.low)
        else:
            self._set(field.value + steps * field.step)
