"""The frame around what a person is asked: edge, large words, what is wrong with a number."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics
from PySide6.QtWidgets import QFrame, QLabel

from ui.dashboard.widgets.theme import Sizes, Theme


class PromptFrame(QFrame):
    """Common frame of the pages that prompt.

    Args:
        text: label of the large words. wrong: of what is wrong with what was typed.
        points: font sizes of the large words, the largest first.
    """

    def __init__(
        self, theme: Theme, sizes: Sizes, text: QLabel, wrong: QLabel, points: Sequence[float]
    ) -> None:
        super().__init__()
        self.theme, self.sizes = theme, sizes
        self.text, self.wrong = text, wrong
        self._points = points
        self._look: object = None
        self.setObjectName("ask")

    def say(self, text: str, asked: bool, warn: bool) -> None:
        """Large words, in an edge that tells a question and bad news from the rest."""
        self.text.setText(text)
        self._fit(text)
        edge = self.theme.accent if asked else self.theme.rule
        edge = self.theme.nut if warn else edge
        look = (edge, asked or warn)
        if look != self._look:
            self._look = look
            self.setStyleSheet(
                f"QFrame#ask {{ background: {self.theme.raised}; border: "
                f"{self.sizes.px(3 if look[1] else 1)}px solid {edge}; "
                f"border-radius: {self.sizes.px(6)}px; }}"
            )

    def mark(self, problem: str) -> None:
        """Say what is wrong with what was typed, '' for nothing."""
        self.wrong.setText(problem)
        self.wrong.setVisible(bool(problem))

    def _fit(self, text: str) -> None:
        """As large as the room allows."""
        room = self.text.contentsRect()
        font = self.text.font()
        flags = Qt.TextFlag.TextWordWrap | Qt.AlignmentFlag.AlignLeft
        for size in self._points:
            font.setPointSizeF(size)
            box = QFontMetrics(font).boundingRect(room, int(flags), text)
            if box.height() <= room.height() and box.width() <= room.width():
                break
        style = f"font-size: {size}pt; font-weight: 600"
        if self.text.styleSheet() != style:
            self.text.setStyleSheet(style)
