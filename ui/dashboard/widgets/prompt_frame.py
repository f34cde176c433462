"""The frame around a prompt: border, large text, answers, a number with its unit."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetrics
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLineEdit, QWidget

from drivers.motion import FORCE, LENGTH
from ui.dashboard.widgets.key_button import KeyButton
from ui.dashboard.widgets.theme import Sizes, Theme

# Number in a unit over the value inside.
PER_UNIT = {"mm": 1e3, "m": 1.0, "N": 1.0}
PER_UNIT |= dict((LENGTH.rotary.shown, FORCE.rotary.shown))


class PromptFrame(QFrame):
    """Common frame of the pages that prompt.

    Args:
        text: label of the large text.
        points: font sizes of the large text, the largest first.

    Attributes:
        head: line above the large text.
        done, cannot: the answer that continues, and the one that does not.
        entry, unit: field for a number to be read off, and its unit.
        wrong: error in what was typed.
    """

    def __init__(self, theme: Theme, sizes: Sizes, text: QLabel, points: Sequence[float]) -> None:
        super().__init__()
        self.theme, self.sizes = theme, sizes
        self.text = text
        self._points = points
        self._look: object = None
        self.setObjectName("ask")
        self.head = QLabel()
        self.head.setObjectName("quiet")
        self.text.setTextFormat(Qt.TextFormat.PlainText)
        self.text.setAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop)
        self.done = KeyButton("Done", "enter", theme)
        self.done.setObjectName("apply")
        self.done.clicked.connect(self.accept)
        self.cannot = KeyButton("Cannot do it", "cannot", theme)
        self.cannot.clicked.connect(self.refuse)
        self.entry = QLineEdit()
        self.entry.setAccessibleName("Number")
        self.entry.textEdited.connect(lambda _text: self.mark(""))
        self.unit = QLabel()
        for widget in (self.entry, self.unit):
            widget.setStyleSheet(f"font-size: {sizes.figure_pt}pt")
        self.wrong = QLabel()
        self.wrong.setObjectName("warning")

    def _answers(self, *options: QWidget) -> QHBoxLayout:
        """Return a row of the number, ``options`` and both answers, all in large letters."""
        px = self.sizes.px
        large = f"font-size: {self.sizes.figure_pt}pt; padding: {px(6)}px {px(14)}px;"
        row = QHBoxLayout()
        row.setSpacing(px(10))
        for widget in (self.entry, self.unit):
            row.addWidget(widget)
        for button in (*options, self.done, self.cannot):
            button.setStyleSheet(large)
            row.addWidget(button)
        return row

    def accept(self) -> None:
        """Answer that it is done, or with the number in the field."""
        raise NotImplementedError

    def refuse(self) -> None:
        """Answer that it will not be done, or that the number cannot be read."""
        raise NotImplementedError

    def ask_number(self, suggestion: float, unit: str) -> None:
        """Put a suggestion in the field, to be typed over.

        Args:
            suggestion: SI, NaN without any; it is shown in ``unit``.
        """
        shown = PER_UNIT.get(unit, 1.0) * suggestion
        self.entry.setText(f"{shown:.6g}" if math.isfinite(shown) else "")
        self.entry.selectAll()
        self.unit.setText(unit)

    def say(self, text: str, asked: bool, warn: bool) -> None:
        """Show large text, with a border that marks questions and bad news."""
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
        """Show the error in what was typed, '' for none."""
        self.wrong.setText(problem)
        self.wrong.setVisible(bool(problem))

    def _fit(self, text: str) -> None:
        """Make the text as large as the room allows."""
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
