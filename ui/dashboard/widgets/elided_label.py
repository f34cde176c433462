"""A line of text, elided if there is no room."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QLabel, QSizePolicy


class ElidedLabel(QLabel):
    """One line, elided if too long; the tool tip holds the whole text."""

    def __init__(self, name: str = "quiet") -> None:
        super().__init__()
        self.setObjectName(name)
        self._whole = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    def say(self, text: str) -> None:
        if text != self._whole:
            self._whole = text
            self.setToolTip(text)
            self._fit()

    @property
    def whole(self) -> str:
        return self._whole

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        self.setText(
            self.fontMetrics().elidedText(
                self._whole, Qt.TextElideMode.ElideRight, max(0, self.width() - 2)
            )
        )
