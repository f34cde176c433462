"""A row at the foot of the Operate page: a text, and a line of controls below it."""

from __future__ import annotations

from PySide6.QtWidgets import QFrame, QHBoxLayout, QVBoxLayout, QWidget

from ui.dashboard.widgets import Sizes


class FootRow(QFrame):
    """Base of the rows that the Operate page shows at its foot.

    Attributes:
        row: line of controls.
    """

    def __init__(self, sizes: Sizes, text: QWidget, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        px = sizes.px
        self.row = QHBoxLayout()
        self.row.setSpacing(px(6))
        column = QVBoxLayout(self)
        column.setContentsMargins(px(20), px(6), px(20), px(6))
        column.setSpacing(px(5))
        column.addWidget(text)
        column.addLayout(self.row)
