"""Across the top of every page while the drive shows power that nothing asks for."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel

from ui.dashboard.bench import OperateModel

TEXT = "POWER IS STILL ON: press the emergency stop"


class PowerBanner(QLabel):
    """The largest letters there are; takes no room while there is nothing to say."""

    def __init__(self, model: OperateModel) -> None:
        super().__init__(TEXT)
        self.model = model
        self.setObjectName("power_on")
        self.setAccessibleName(TEXT)
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.setWordWrap(True)
        self.hide()

    def refresh(self) -> None:
        self.setVisible(self.model.power_still_on)
