"""A button that shows its key beside its word, in a quieter ink."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QSize
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QPushButton, QStyle, QStyleOptionButton

from ui.dashboard.widgets.theme import Theme
from ui.manual.key_table import BY_NAME


class KeyButton(QPushButton):
    """``word`` and a key, for instance ``Freeze`` and ``F8``.

    The key is a hint: the window handles the key press.

    Args:
        name: name of the key in ``ui.manual.key_table``; '' for a button without one.
    """

    def __init__(self, word: str, name: str, theme: Theme) -> None:
        super().__init__(word)
        use = BY_NAME[name] if name else None
        self.key = use.shown if use else ""
        if use:
            self.setToolTip(f"{use.meaning} ({use.key})")
        self.theme = theme

    def _gap(self) -> float:
        return 0.6 * QFontMetricsF(self.font()).height()

    def sizeHint(self) -> QSize:
        hint = super().sizeHint()
        more = QFontMetricsF(self.font()).horizontalAdvance(self.key) + self._gap()
        return QSize(round(hint.width() + more), hint.height())

    def minimumSizeHint(self) -> QSize:
        return self.sizeHint()

    def inks(self) -> tuple[QColor, QColor]:
        """Return the inks of word and key."""
        # The palette follows the style sheet in every state but the checked one.
        checked = self.isChecked()
        ink = QColor(self.theme.ground) if checked else self.palette().buttonText().color()
        quieter = QColor(ink)
        if (
            self.objectName() != "apply" or not self.isEnabled()
        ):  # its ground leaves too little contrast
            quieter.setAlphaF(0.62)
        return ink, quieter

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        option = QStyleOptionButton()
        self.initStyleOption(option)
        word, option.text = option.text, ""
        self.style().drawControl(QStyle.ControlElement.CE_PushButton, option, painter, self)
        option.text = word
        metrics = QFontMetricsF(self.font())
        painter.setFont(self.font())
        wide = metrics.horizontalAdvance(word)
        whole = wide + self._gap() + metrics.horizontalAdvance(self.key)
        x = (self.width() - whole) / 2
        base = self.height() / 2 + metrics.capHeight() / 2
        ink, quieter = self.inks()
        painter.setPen(ink)
        painter.drawText(QPointF(x, base), word)
        painter.setPen(quieter)
        painter.drawText(QPointF(x + wide + self._gap(), base), self.key)
        painter.end()
