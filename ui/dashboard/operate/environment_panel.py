"""Hands and weights for the simulated rig. Shown only if the rig is simulated."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QButtonGroup,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ui.dashboard.bench import Field, OperateModel
from ui.dashboard.operate.field_slider import FieldSlider
from ui.dashboard.widgets import Sizes, Theme


class EnvironmentPanel(QWidget):
    """Weights to hang, and a hand that pushes as long as its button is held.

    Args:
        hang: called with a mass in kg.
        push: called with a force at the load point in N, 0 when the hand releases.
    """

    def __init__(
        self,
        model: OperateModel,
        theme: Theme,
        sizes: Sizes,
        *,
        hang: Callable[[float], None],
        push: Callable[[float], None],
    ) -> None:
        super().__init__()
        self.model = model
        self._push = push
        px = sizes.px
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Maximum)
        self.title = QLabel("Simulated load")
        self.title.setObjectName("head")
        column = QVBoxLayout(self)
        column.setContentsMargins(0, px(4), px(14), px(4))
        column.setSpacing(px(5))
        column.addWidget(self.title)
        grid = QGridLayout()
        grid.setHorizontalSpacing(px(4))
        grid.setVerticalSpacing(px(4))
        self.weights = QButtonGroup(self)
        self.weights.setExclusive(True)
        masses = [0.0, *model.profile.rig.weights]
        for i, mass in enumerate(masses):
            button = QPushButton("none" if mass == 0 else f"{mass:g} kg")
            button.setCheckable(True)
            button.setStyleSheet(f"padding-left: {px(4)}px; padding-right: {px(4)}px")
            button.setAccessibleName(f"Hang {button.text()}")
            button.clicked.connect(lambda _=False, m=mass: hang(m))
            self.weights.addButton(button, i)
            grid.addWidget(button, i // 4, i % 4)
        self.masses = masses
        column.addLayout(grid)
        self.force = Field("hand", "Hand force", "N", 1.0, -100.0, 100.0, 20.0, 5.0)
        self.hand = QPushButton()
        self.hand.setToolTip("Pushes while it is held")
        self.hand.pressed.connect(lambda: self._hand(self.force.value))
        self.hand.released.connect(lambda: self._hand(0.0))
        self.slider = FieldSlider(self.force, theme, sizes)
        self.slider.moved.connect(self._slid)
        row = QHBoxLayout()
        row.setSpacing(px(6))
        row.addWidget(self.hand)
        column.addLayout(row)
        column.addWidget(self.slider)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._slid()
        self.refresh()

    def _hand(self, force_N: float) -> None:
        # A held key repeats press and release; the hand pushes until the real release.
        self._push(force_N)

    def _slid(self) -> None:
        way = "Lift" if self.force.value >= 0 else "Press"
        shown = self.force.shown(abs(self.force.value))
        self.hand.setText(f"{way} by hand, {shown} N (hold)")
        if self.hand.isDown():
            self._push(self.force.value)

    def refresh(self) -> None:
        hung = self.model.hung_kg
        for i, mass in enumerate(self.masses):
            if hung is not None and abs(mass - hung) < 1e-6:
                self.weights.button(i).setChecked(True)
