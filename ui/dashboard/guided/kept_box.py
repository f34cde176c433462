"""Box of the folders of a rig: one of them to continue, or a new one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtWidgets import QSizePolicy

from ui.dashboard.guided.guided_model import GuidedModel
from ui.dashboard.widgets import ChoiceBox, Sizes, Theme


class KeptBox(ChoiceBox):
    """Mirror of the model's ``kept`` and ``folder``.

    Args:
        name: name for a screen reader.
        new: entry of a new one.
        choose: called with the folder that a person picks, None for a new one.
    """

    def __init__(
        self,
        guided: GuidedModel[Any],
        name: str,
        new: str,
        theme: Theme,
        sizes: Sizes,
        choose: Callable[[Path | None], None],
    ) -> None:
        super().__init__(theme, sizes)
        self._guided, self._new = guided, new
        self.setAccessibleName(name)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.activated.connect(lambda index: choose(self.itemData(index)))

    def refresh(self) -> None:
        guided = self._guided
        self.setEnabled(not guided.running)
        wanted: list[tuple[str, object]] = [(self._new, None)]
        listed = {kept.folder for kept in guided.kept}
        if guided.folder is not None and guided.folder not in listed:
            wanted.append((f"{guided.folder.name} (now)", guided.folder))
        wanted += [(kept.text, kept.folder) for kept in guided.kept]
        have = [(self.itemText(i), self.itemData(i)) for i in range(self.count())]
        if have != wanted:
            self.clear()
            for text, folder in wanted:
                self.addItem(text, folder)
        chosen = next((i for i, (_, f) in enumerate(wanted) if f == guided.folder), 0)
        if self.currentIndex() != chosen:
            self.setCurrentIndex(chosen)
