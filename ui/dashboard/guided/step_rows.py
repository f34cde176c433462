"""Rows of a list of guided steps: each with a shape and a word for its status."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QKeyEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import (
    QAbstractItemView,
    QListWidget,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
)

from hil.bringup import Verdict
from ui.dashboard.widgets import Sizes, Theme

RUNNING = "runs now"
STATE, WORD = Qt.ItemDataRole.UserRole, Qt.ItemDataRole.UserRole + 1
MOVES = (
    Qt.Key.Key_Up,
    Qt.Key.Key_Down,
    Qt.Key.Key_Home,
    Qt.Key.Key_End,
    Qt.Key.Key_PageUp,
    Qt.Key.Key_PageDown,
    Qt.Key.Key_Tab,
    Qt.Key.Key_Backtab,
)


def colour_of(state: str, theme: Theme) -> str:
    """Return the colour of a state, shown with its shape and word, never alone."""
    return {
        Verdict.PASS: theme.deflection,
        Verdict.FAIL: theme.nut,
        Verdict.NEEDS_PERSON: theme.setpoint,
        RUNNING: theme.accent,
    }.get(state, theme.shaped)


def draw_shape(painter: QPainter, box: QRectF, state: str, theme: Theme) -> None:
    """Draw a tick on a disc, cross on a square, question mark on a diamond, arrow head, or a ring."""
    colour = QColor(colour_of(state, theme))
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    wide = max(2.0, box.width() / 9)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(colour)
    inner = QPen(QColor(theme.ground), wide)
    inner.setCapStyle(Qt.PenCapStyle.RoundCap)

    def at(x: float, y: float) -> QPointF:
        return QPointF(box.left() + x * box.width(), box.top() + y * box.height())

    if state == Verdict.PASS:
        painter.drawEllipse(box)
        painter.setPen(inner)
        painter.drawPolyline(QPolygonF([at(0.26, 0.52), at(0.44, 0.70), at(0.75, 0.33)]))
    elif state == Verdict.FAIL:
        painter.drawRect(box)
        painter.setPen(inner)
        painter.drawLine(at(0.27, 0.27), at(0.73, 0.73))
        painter.drawLine(at(0.27, 0.73), at(0.73, 0.27))
    elif state == Verdict.NEEDS_PERSON:
        painter.drawPolygon(QPolygonF([at(0.5, -0.1), at(1.1, 0.5), at(0.5, 1.1), at(-0.1, 0.5)]))
        font = QFont(painter.font())
        font.setBold(True)
        font.setPixelSize(max(8, round(0.75 * box.height())))
        painter.setFont(font)
        painter.setPen(QColor(theme.ground))
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, "?")
    elif state == RUNNING:
        painter.drawPolygon(QPolygonF([at(0.1, 0.0), at(1.0, 0.5), at(0.1, 1.0)]))
    else:
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(colour, wide))
        edge = wide / 2
        painter.drawEllipse(box.adjusted(edge, edge, -edge, -edge))
    painter.restore()


class _Row(QStyledItemDelegate):
    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._theme, self._sizes = theme, sizes

    def sizeHint(
        self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> QSize:
        del option, index
        return QSize(self._sizes.px(200), self._sizes.px(36))

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        theme, px = self._theme, self._sizes.px
        room = QRectF(option.rect)
        flags = option.state
        state = str(index.data(STATE))
        painter.save()
        if flags & QStyle.StateFlag.State_Selected:
            painter.fillRect(room, QColor(theme.strip))
            bar = QRectF(room.left(), room.top(), px(4), room.height())
            painter.fillRect(bar, QColor(theme.ink))
            if flags & QStyle.StateFlag.State_HasFocus:
                painter.setPen(QPen(QColor(theme.accent), 2))
                painter.drawRect(room.adjusted(1, 1, -1, -1))
        side = px(17)
        box = QRectF(room.left() + px(14), room.center().y() - side / 2, side, side)
        draw_shape(painter, box, state, theme)
        font = QFont(option.font)
        font.setPointSizeF(self._sizes.head_pt)
        font.setBold(state in (RUNNING, Verdict.FAIL, Verdict.NEEDS_PERSON))
        painter.setFont(font)
        painter.setPen(QColor(theme.ink))
        metrics = QFontMetricsF(font)
        word = str(index.data(WORD))
        wide = metrics.horizontalAdvance(word)
        left = box.right() + px(10)
        right = room.right() - px(10)
        middle = Qt.AlignmentFlag.AlignVCenter
        number = px(22)
        painter.drawText(
            QRectF(left, room.top(), number, room.height()),
            middle | Qt.AlignmentFlag.AlignRight,
            str(index.row() + 1),
        )
        left += number + px(10)
        title = metrics.elidedText(
            str(index.data()), Qt.TextElideMode.ElideRight, right - wide - px(12) - left
        )
        painter.drawText(
            QRectF(left, room.top(), right - left, room.height()),
            middle | Qt.AlignmentFlag.AlignLeft,
            title,
        )
        if state == Verdict.NOT_RUN:
            painter.setPen(QColor(theme.quiet))
        painter.drawText(
            QRectF(left, room.top(), right - left, room.height()),
            middle | Qt.AlignmentFlag.AlignRight,
            word,
        )
        painter.restore()


class StepRows(QListWidget):
    """List in which up and down choose a row; every other key passes through to the page."""

    def __init__(self, name: str, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self._row = _Row(theme, sizes)
        self.setItemDelegate(self._row)
        self.setAccessibleName(name)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setStyleSheet(
            f"QListWidget {{ background: {theme.raised}; border: 1px solid {theme.rule}; }}"
        )

    def put(self, row: int, state: str, word: str) -> None:
        """Set the status of a row, for the eye and for a screen reader.

        Args:
            row: its number.
            state: a value of ``hil.bringup.Verdict``, or ``RUNNING``: its shape and colour.
            word: next to it.
        """
        item = self.item(row)
        if item.data(STATE) != state or item.data(WORD) != word:
            item.setData(STATE, state)
            item.setData(WORD, word)
            item.setData(Qt.ItemDataRole.AccessibleTextRole, f"{item.text()}, {word}")

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in MOVES:
            super().keyPressEvent(event)
        else:
            event.ignore()
