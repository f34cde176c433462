"""A person at a window of the dashboard who presses keys and waits for the effect."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any, TypeVar

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from ui.dashboard import page_entries
from ui.dashboard.bench import Page
from ui.dashboard.window import Window

AnyPage = TypeVar("AnyPage", bound=Page)


def page_as(window: Window, kind: type[AnyPage]) -> AnyPage:
    """Return the window's page of this class."""
    [page] = [page for page in window.pages if isinstance(page, kind)]
    return page


def view_of_page(
    monkeypatch: Any, title: str, make: Callable[..., object], only: Collection[str] = ()
) -> None:
    """Show the page of this title with ``make``'s view model, in a window of ``only`` these pages."""
    entries = [
        dataclasses.replace(entry, view=make) if entry.title == title else entry
        for entry in page_entries.PAGES
        if not only or entry.title in only
    ]
    monkeypatch.setattr(page_entries, "PAGES", tuple(entries))


class PersonAtWindow:
    """Base of persons at a single page.

    Args:
        session: session of the window.
        runs: folder of runs.

    Attributes:
        PATIENCE_MS: longest wait for any condition.
    """

    PATIENCE_MS = 15_000
    HEIGHT = 720

    def __init__(self, qtbot: Any, session: Any, runs: Path) -> None:
        self.qtbot, self.session, self.model = qtbot, session, session.model
        self.window = Window(self.model, session, runs_directory=runs)
        qtbot.addWidget(self.window)
        self.window.resize(1280, self.HEIGHT)
        self.window.show()

    def meanwhile(self) -> None:
        """Act while waiting; the window refreshes itself."""

    @property
    def asked(self) -> object:
        """Return the page's text, for the report of a failed test."""
        return ""

    def until(self, condition: Callable[[], object]) -> None:
        def met() -> None:
            self.meanwhile()
            assert condition(), (self.asked, self.model.state_word, list(self.model.notices))

        self.qtbot.waitUntil(met, timeout=self.PATIENCE_MS)
        self.window.refresh()

    def press(self, *keys: Qt.Key) -> None:
        for key in keys:
            QTest.keyClick(self.window.focusWidget() or self.window, key)

    def down(self, key: Qt.Key, repeat: bool = False, up: bool = False) -> None:
        """Press a key and keep it down; with ``up``, release it."""
        kind = QEvent.Type.KeyRelease if up else QEvent.Type.KeyPress
        event = QKeyEvent(kind, key, Qt.KeyboardModifier.NoModifier, " ", repeat)
        QApplication.sendEvent(self.window.focusWidget(), event)
