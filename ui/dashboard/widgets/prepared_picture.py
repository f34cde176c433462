"""A widget's picture painted in several slices, so that no key waits for all of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtGui import QPainter, QPixmap
from PySide6.QtWidgets import QWidget

from ui.dashboard.widgets.render_scheduler import Slice

Part = Callable[[QPainter], None]


class PreparedPicture:
    """Parts painted one after another off screen, shown when the last is done.

    Args:
        widget: its ``paintEvent`` calls :meth:`show`.
    """

    def __init__(self, widget: QWidget) -> None:
        self._widget = widget
        self._made: QPixmap | None = None
        self._shown: QPixmap | None = None

    def slices(self, parts: Sequence[Part]) -> list[Slice]:
        """Return one slice for each part, and one that shows them."""
        return [*(partial(self._paint, i, part) for i, part in enumerate(parts)), self._repaint]

    def show(self, painter: QPainter) -> bool:
        """Show what was prepared; False if the widget must paint itself."""
        if self._shown is None:
            return False
        painter.drawPixmap(0, 0, self._shown)
        return True

    def _paint(self, number: int, part: Part) -> None:
        widget = self._widget
        if number == 0:
            ratio = widget.devicePixelRatioF()
            self._made = QPixmap(widget.size() * ratio)
            self._made.setDevicePixelRatio(ratio)
            self._made.fill(Qt.GlobalColor.transparent)
        made = self._made
        if made is None or made.isNull():  # a hidden widget may not have a size yet
            return
        self._made = None
        painter = QPainter(made)
        try:
            part(painter)
        finally:
            painter.end()  # while the pixmap exists: a painter must not outlive it
        self._made = made

    def _repaint(self) -> None:
        made, self._made = self._made, None
        if made is not None and made.deviceIndependentSize().toSize() == self._widget.size():
            self._shown = made
        try:
            self._widget.repaint()
        finally:
            self._shown = None
