"""Line of the latest notices: whole ones only, the newest in full whatever its length."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QLabel, QSizePolicy

GAP = "     "


class Notices(QLabel):
    """As many notices as fit in a line, the newest first; one that is too long alone wraps.

    The tool tip has them all, a line each.
    """

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("quiet")
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setWordWrap(True)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Minimum)
        self._all: list[str] = []

    def say(self, notices: Sequence[str]) -> None:
        """Show them, the newest first."""
        if list(notices) != self._all:
            self._all = list(notices)
            self.setToolTip("\n".join(self._all))
            self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        margins = self.contentsMargins()
        room = self.width() - margins.left() - margins.right()
        shown = self._all[0] if self._all else "no notices"
        for notice in self._all[1:]:
            longer = shown + GAP + notice
            if self.fontMetrics().horizontalAdvance(longer) > room:
                break
            shown = longer
        if shown != self.text():
            self.setText(shown)
