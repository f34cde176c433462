"""A field that keeps its Enter key from the page."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLineEdit


class EnterField(QLineEdit):
    """A field that calls ``entered`` on Enter and does not pass the key on."""

    def __init__(self, entered: Callable[[], None]) -> None:
        super().__init__()
        self._entered = entered

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            event.accept()
            self._entered()
            return
        super().keyPressEvent(event)
