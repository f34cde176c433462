"""Presets and the way back, under the behaviour deck."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QPushButton, QSizePolicy, QWidget

from ui.dashboard.operate.presets import SLOTS, Presets
from ui.dashboard.widgets import KeyButton, Sizes, Theme

EDGES_PX = 6  # border and padding of a button, both sides


class PresetRow(QWidget):
    """One button for each preset; the page places those that save and go back.

    Args:
        filled: called after the form has been filled.
    """

    def __init__(
        self, presets: Presets, theme: Theme, sizes: Sizes, filled: Callable[[], None]
    ) -> None:
        super().__init__()
        self.presets, self._filled = presets, filled
        grid = QGridLayout(self)
        grid.setContentsMargins(sizes.px(14), 0, sizes.px(14), 0)
        grid.setSpacing(sizes.px(5))
        self.buttons: dict[int, QPushButton] = {}
        for number, slot in enumerate(SLOTS):
            button = QPushButton()
            button.setStyleSheet(f"padding: {sizes.px(3)}px 1px")
            button.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
            button.clicked.connect(partial(self.bring, slot))
            self.buttons[slot] = button
            grid.addWidget(button, number // 2, number % 2)
        self.keep_button = KeyButton("Save preset", "keep", theme)
        self.keep_button.setToolTip("Save what is set here as a preset")
        self.keep_button.clicked.connect(self.keep)
        self.back_button = KeyButton("Back", "back", theme)
        self.back_button.setToolTip("Restore what was applied before; nothing acts before Apply")
        self.back_button.clicked.connect(self.back)

    def keys(self) -> dict[str, Callable[[], object]]:
        """Return the keys of presets and of the way back, by name."""
        acts: dict[str, Callable[[], object]] = {
            str(slot): partial(self.bring, slot) for slot in SLOTS
        }
        return acts | {"keep": self.keep, "back": self.back}

    def bring(self, slot: int) -> None:
        """Fill the form from a preset."""
        if self.presets.bring(slot):
            self._filled()

    def back(self) -> None:
        """Fill the form with what was applied before."""
        if self.presets.back():
            self._filled()

    def keep(self) -> None:
        """Save what is set in the form."""
        self.presets.keep()
        self.refresh()

    def refresh(self) -> None:
        kept = self.presets.kept
        for slot, button in self.buttons.items():
            preset = kept.get(slot)
            button.setVisible(preset is not None)
            if preset is None:
                continue
            whole = f"{slot}  {preset.name}"
            room = button.width() - EDGES_PX if button.isVisible() else 0
            text = button.fontMetrics().elidedText(whole, Qt.TextElideMode.ElideRight, room)
            text = text if room > 0 else whole
            if button.text() != text or button.toolTip() != whole:
                button.setText(text)
                button.setToolTip(whole)
                button.setAccessibleName(f"Preset {slot}: {preset.name}")
        self.back_button.setEnabled(self.presets.may_go_back)
        self.keep_button.setToolTip(self.presets.text or "Save what is set here as a preset")
