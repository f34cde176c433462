"""Steps of a sequence for several axes, each with the axis that it moves."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractItemView, QListWidget

from ui.dashboard.operate.axes_sequences import AxesPlan


class AxesStepsList(QListWidget):
    """List of the steps, the present one marked; hidden for a sequence of one rig."""

    def __init__(self, px: Callable[[float], int]) -> None:
        super().__init__()
        self._plan: AxesPlan | None = None
        self._number = -1
        self.setAccessibleName("Steps of all axes")
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setWordWrap(True)
        self.setMinimumHeight(px(104))
        self.hide()

    def show_plan(self, plan: AxesPlan | None, number: int) -> None:
        """Show the steps of a plan, and mark step ``number``, from 1; 0 for none."""
        if plan is not self._plan:
            self._plan, self._number = plan, -1
            self.clear()
            for n, words in enumerate(plan.words if plan is not None else (), 1):
                self.addItem(f"{n}  " + words.replace("\n", "\n    "))
            self.setVisible(plan is not None)
        if number == self._number:
            return
        self._number = number
        for row in range(self.count()):
            item = self.item(row)
            font = item.font()
            font.setBold(row == number - 1)
            item.setFont(font)
        if number:
            self.scrollToItem(self.item(number - 1), QAbstractItemView.ScrollHint.PositionAtCenter)
