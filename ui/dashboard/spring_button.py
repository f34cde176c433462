"""Name of the profile as a button that offers the rig's other sets of springs."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtWidgets import QMenu, QPushButton

from ui.dashboard.bench import OperateModel
from ui.dashboard.widgets import Theme

ASKS = "Which springs are fitted? The bench restarts with them, with power off."
POWERED = "power off first: another set of springs restarts the bench"
WATCHES = "the client in control chooses the set of springs"


class SpringButton(QPushButton):
    """Mirror of the model's ``springs``; a choice is kept there, and the window closes."""

    def __init__(self, model: OperateModel, theme: Theme, begin_anew: Callable[[], object]) -> None:
        super().__init__(f"{model.profile.name} ▾")
        self._model, self._begin_anew = model, begin_anew
        self.setObjectName("page")
        self.setAccessibleName(f"Sets of springs; in use: {model.profile.name}")
        self.menu_of_sets = QMenu(self)
        self.menu_of_sets.setStyleSheet(
            f"QMenu {{ background: {theme.raised}; color: {theme.ink}; }}"
            f"QMenu::item:selected {{ background: {theme.accent}; color: {theme.ground}; }}"
            f"QMenu::item:disabled {{ color: {theme.quiet}; }}"
        )
        self.menu_of_sets.addAction(ASKS).setEnabled(False)
        assert model.springs is not None
        for place, (file, words) in enumerate(model.springs.sets):
            action = self.menu_of_sets.addAction(words if place else f"in use: {words}")
            action.setEnabled(place > 0)
            action.triggered.connect(partial(self._choose, file))
        for words in model.springs.left_out:
            self.menu_of_sets.addAction(words).setEnabled(False)
        # Not ``exec``: the heartbeat continues while the list is open.
        self.clicked.connect(
            lambda: self.menu_of_sets.popup(self.mapToGlobal(self.rect().bottomLeft()))
        )
        self.refresh()

    def refresh(self) -> None:
        """Show whether a set may be chosen now, and why not."""
        why = self._why_not
        if self.isEnabled() == bool(why):
            self.setEnabled(not why)
            if why:
                self.menu_of_sets.close()
        self.setToolTip(why or ASKS)

    @property
    def _why_not(self) -> str:
        model = self._model
        if not model.in_control:
            return WATCHES
        return POWERED if model.powered or model.energising else ""

    def _choose(self, file: Path) -> None:
        if self._why_not or self._model.springs is None:
            return
        self._model.springs.chosen = file
        self._begin_anew()
