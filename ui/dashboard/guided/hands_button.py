"""Choice on a simulated rig: watch it run by itself, or answer it yourself."""

from __future__ import annotations

from typing import Protocol

from ui.dashboard.widgets import KeyButton, Theme


class Hands(Protocol):
    """View model whose simulated hands may answer by themselves (``alone``)."""

    alone: bool

    def set_alone(self, alone: bool) -> None: ...


class HandsButton(KeyButton):
    """Mirror of the model's choice."""

    def __init__(self, hands: Hands, theme: Theme) -> None:
        super().__init__("", "hands", theme)
        self._hands = hands
        self.setCheckable(True)
        self.setToolTip("On a simulated rig: watch it run by itself, or answer it yourself")
        self.setChecked(hands.alone)
        self.toggled.connect(hands.set_alone)

    def refresh(self) -> None:
        if self.isChecked() != self._hands.alone:  # a tour may have left a question to the person
            self.blockSignals(True)
            self.setChecked(self._hands.alone)
            self.blockSignals(False)
        self.setText(f"Simulated hands answer: {'yes' if self._hands.alone else 'no'}")
