"""Banner on top of every page while the drive shows power that is not requested."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel

from ui.dashboard.bench import OperateModel

TEXT = "POWER IS STILL ON: press the emergency stop"


class PowerBanner(QLabel):
    """Banner in the largest letters; takes no room while hidden."""

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
