"""The caption of a tour with its two buttons, and a frame around what it points at."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from PySide6.QtCore import QPoint, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QApplication, QFrame, QHBoxLayout, QLabel, QSizePolicy, QWidget

from ui.dashboard.guided.tour import Tour
from ui.dashboard.widgets import KeyButton, Sizes, Theme, shortcut


class TourBar(QFrame):
    """Mirror of a tour, shown while it is open.

    Args:
        parts: widgets that captions point at, by name: at the first visible one.
        offered: False hides the button, and its key does nothing.

    Attributes:
        button: begins the tour, or leaves it; for the page to place.
        frame: around what the caption points at; it lies over the whole page.
    """

    def __init__(
        self,
        tour: Tour[Any],
        page: QWidget,
        parts: Mapping[str, tuple[QWidget, ...]],
        theme: Theme,
        sizes: Sizes,
        offered: bool,
    ) -> None:
        super().__init__()
        self._offered = offered
        self.tour, self._parts = tour, parts
        px = sizes.px
        self.setObjectName("tour")
        self.setStyleSheet(
            f"QFrame#tour {{ background: {theme.raised}; border: {px(2)}px solid {theme.marker}; "
            f"border-radius: {px(6)}px; }}"
        )
        self.words = QLabel()
        self.words.setWordWrap(True)
        self.words.setStyleSheet(f"font-size: {sizes.head_pt}pt")
        self.words.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        self.next = KeyButton("Next", "tour_next", theme)
        self.next.clicked.connect(lambda: self.go_on())
        self.leave = KeyButton("Leave tour", "tour", theme)
        self.leave.clicked.connect(lambda: self.toggle())
        row = QHBoxLayout(self)
        row.setContentsMargins(px(12), px(6), px(8), px(6))
        row.setSpacing(px(8))
        row.addWidget(self.words, 1)
        row.addWidget(self.next, 0, Qt.AlignmentFlag.AlignVCenter)
        row.addWidget(self.leave, 0, Qt.AlignmentFlag.AlignVCenter)
        self.button = KeyButton("Tour", "tour", theme)
        self.button.setToolTip("Captions that point at what happens; they begin nothing")
        self.button.clicked.connect(lambda: self.toggle())
        if not offered:
            self.button.hide()
        self.frame = _Frame(page, theme, sizes)
        for name, act in (("tour", self.toggle), ("tour_next", self.go_on)):
            shortcut(name, page, act)
        self.hide()

    def toggle(self) -> None:
        if not self._offered:
            return
        self.tour.toggle(time.monotonic())
        self.refresh()

    def go_on(self) -> None:
        self.tour.go_on(time.monotonic())
        self.refresh()

    def refresh(self) -> None:
        """Follow the tour, and what it points at."""
        self.tour.turn(time.monotonic())
        caption = self.tour.caption
        self.button.setText("Tour" if caption is None else "Leave tour")
        if self.isHidden() != (caption is None):
            focused = QApplication.focusWidget()
            if caption is None and focused is not None and self.isAncestorOf(focused):
                self.button.setFocus()  # the widget that had it will be hidden
            self.setVisible(caption is not None)
        if caption is None:
            self.frame.point_at(None)
            return
        if self.words.text() != caption.text:
            self.words.setText(caption.text)
        self.next.setEnabled(not self.tour.waits)
        seen = (part for part in self._parts.get(caption.at, ()) if part.isVisible())
        self.frame.point_at(next(seen, None))


class _Frame(QWidget):
    """A frame around a widget of the page; the mouse passes through."""

    def __init__(self, page: QWidget, theme: Theme, sizes: Sizes) -> None:
        super().__init__(page)
        self._page = page
        self._theme, self._sizes = theme, sizes
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.hide()

    def point_at(self, target: QWidget | None) -> None:
        """Surround ``target``, or hide for None."""
        page = self._page
        if target is None:
            self.hide()
            return
        wide = self._sizes.px(5)
        rect = target.rect().translated(target.mapTo(page, QPoint()))
        rect = rect.adjusted(-wide, -wide, wide, wide).intersected(page.rect())
        if self.geometry() != rect:
            self.setGeometry(rect)
        if self.isHidden():
            self.show()
        self.raise_()

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        painter = QPainter(self)
        wide = self._sizes.px(3)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(self._theme.marker), wide))
        half = wide / 2
        box = QRectF(self.rect()).adjusted(half, half, -half, -half)
        painter.drawRoundedRect(box, 2 * wide, 2 * wide)
        painter.end()
