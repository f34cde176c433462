"""A field whose Enter is its own, and not the page's."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QLineEdit


class EnterField(QLineEdit):
    """A field that calls ``entered`` at Enter, and passes that key on to nobody."""

    def __init__(self, entered: Callable[[], None]) -> None:
        super().__init__()
        self._entered = entered

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            event.accept()
            self._entered()
            return
        super().keyPressEvent(event)
