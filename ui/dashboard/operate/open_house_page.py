"""The window during open house: what visitors see, and the row by which an attendant arms it."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QGridLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from hil.core import State
from ui.dashboard.bench import OperateModel
from ui.dashboard.operate.foot_row import FootRow
from ui.dashboard.operate.open_house import OpenHouse
from ui.dashboard.operate.presets import SLOTS
from ui.dashboard.widgets import EnterField, KeyButton, Sizes, StatusLabel, Theme

TITLE = "Choose what it should do"
ASK = "Ask the attendant."


class OpenHousePage(QWidget):
    """Large buttons for the presets, and the active one. The stop is below, as always."""

    def __init__(self, house: OpenHouse, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.house, self.model = house, model
        px = sizes.px
        title = QLabel(TITLE)
        title.setStyleSheet(f"font-size: {2.2 * sizes.head_pt}pt; font-weight: bold")
        title.setAlignment(Qt.AlignmentFlag.AlignCenter)
        grid = QGridLayout()
        grid.setSpacing(px(18))
        self.buttons: dict[int, QPushButton] = {}
        for number, slot in enumerate(SLOTS):
            button = QPushButton()
            button.setCheckable(True)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
            button.setStyleSheet(f"font-size: {2.0 * sizes.head_pt}pt; padding: {px(10)}px")
            button.clicked.connect(partial(self._press, slot))
            self.buttons[slot] = button
            grid.addWidget(button, number // 2, number % 2)
        self.doing = QLabel()
        self.doing.setWordWrap(True)
        self.doing.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._style = f"font-size: {1.5 * sizes.head_pt}pt"
        self.doing.setStyleSheet(self._style)
        self._alarming = False
        self._alarm = f"; color: {theme.warning}; font-weight: bold"
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        column = QVBoxLayout(self)
        column.setContentsMargins(px(60), px(24), px(60), px(18))
        column.setSpacing(px(18))
        column.addWidget(title)
        column.addLayout(grid, 1)
        column.addWidget(self.doing)
        self.refresh()

    def keys(self) -> dict[str, Callable[[], object]]:
        """Return the keys that visitors have, by name."""
        return {str(slot): partial(self.house.choose, slot) for slot in self.house.choices}

    def _press(self, slot: int) -> None:
        self.house.choose(slot)
        self.refresh()

    def refresh(self) -> None:
        """Show the choices, the active one, and what is wrong."""
        house = self.house
        choices, may = house.choices, house.may_choose
        for slot, button in self.buttons.items():
            preset = choices.get(slot)
            button.setVisible(preset is not None)
            if preset is not None:
                button.setText(f"{slot}   {preset.name}")
                button.setChecked(house.doing == preset.name)
                button.setEnabled(may)
        words, wrong = self._words()
        self.doing.setText(f"▲ {words}" if wrong else words)
        if wrong != self._alarming:
            self._alarming = wrong
            self.doing.setStyleSheet(self._style + (self._alarm if wrong else ""))

    def _words(self) -> tuple[str, bool]:
        house, model = self.house, self.model
        if not model.link_well:
            return f"No answer from the rig. {ASK}", True
        if model.state is State.STOPPED:
            return f"Stopped. {ASK}", True
        if not model.powered:
            return f"Power is off. {ASK}", True
        if house.wrong:
            return house.text, True
        left = house.left_s
        if math.isnan(left):
            return house.doing.capitalize(), False
        if left < 20.0:
            return f"{house.doing} · comes to rest in {left:.0f} s", False
        return house.doing, False


class OpenHousePanel(FootRow):
    """The row by which an attendant arms open house; shown by its key."""

    def __init__(
        self, house: OpenHouse, theme: Theme, sizes: Sizes, back: Callable[[], None]
    ) -> None:
        self.text = StatusLabel("quiet", "warning", wrap=True)
        super().__init__(sizes, self.text)
        self.house, self._back = house, back
        self.open = False
        px, row = sizes.px, self.row
        self.letters = EnterField(self.begin)
        self.letters.setAccessibleName("Letters that unlock")
        self.letters.setEchoMode(QLineEdit.EchoMode.PasswordEchoOnEdit)
        self.letters.setFixedWidth(px(170))
        label = QLabel("Letters that unlock it")
        label.setBuddy(self.letters)
        self.attract = QCheckBox("Attract loop: moves a little while no one is there")
        self.begin_button = KeyButton("Begin when power is on", "enter", theme)
        self.begin_button.clicked.connect(self.begin)
        self.close_button = KeyButton("Close", "open_house", theme)
        self.close_button.clicked.connect(self.toggle)
        row.setSpacing(px(8))
        for part in (label, self.letters, self.attract, self.begin_button, self.close_button):
            row.addWidget(part)
        row.addStretch(1)
        self.hide()
        self.refresh()

    def toggle(self) -> None:
        """Show the row, or hide it and disarm."""
        self.open = not self.open
        if self.open:
            self.refresh()
            self.letters.setFocus()
            return
        self.house.disarm()
        self.letters.clear()
        self.refresh()
        self._back()

    def begin(self) -> None:
        """Arm it with what is typed."""
        if self.house.arm(self.letters.text(), self.attract.isChecked()):
            self.letters.clear()
            self._back()
        self.refresh()

    def refresh(self) -> None:
        house = self.house
        wanted = self.open or house.phase in ("armed", "asked") or bool(house.text)
        if wanted != self.isVisibleTo(self.parentWidget() or self):
            self.setVisible(wanted)
        if wanted:
            idle = "Open house: visitors choose among the presets at a quarter of force and speed."
            self.text.say(house.text or idle, house.wrong)
