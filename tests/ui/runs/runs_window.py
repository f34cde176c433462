"""The Runs page in a window of its own, recorded runs, and a person who presses keys."""

from pathlib import Path

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QMainWindow

from hil.core.samples import INDEX
from hil.recorder import RunWriter
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import PageContext
from ui.dashboard.runs import RunsModel, RunsPage
from ui.dashboard.runs.picture import RunPicture
from ui.dashboard.widgets import THEMES, sizes_for
from ui.dashboard.window import Window

RATE_HZ = 1000.0


def record(runs: Path, name: str, seconds: float = 12.0, shift_s: float = 0.0) -> Path:
    """Record a run whose force is a known wave with a peak one sample long."""
    count = round(seconds * RATE_HZ)
    rows = make_rows(count, start_s=100.0).rows
    t = np.arange(count) / RATE_HZ - shift_s
    rows[:, INDEX["spring_force_N"]] = 50.0 + 20.0 * np.sin(2 * np.pi * t)
    rows[count // 3, INDEX["spring_force_N"]] = 400.0
    rows[:, INDEX["deflection_m"]] = 1e-3 * np.sin(2 * np.pi * t)
    rows[3000:4000, INDEX["limited"]] = 1
    with RunWriter(runs, name, {}, note="made for a test", started="2000-01-01T08:00") as writer:
        writer.rows(rows)
        writer.event({"kind": "marker", "time_s": 105.0, "cycle": 105_000, "text": "push"})
    assert writer.path is not None
    return writer.path


class Host(QMainWindow):
    """The Runs page alone, with the window's handling of keys: other pages take time to build."""

    def __init__(self, model, runs: Path) -> None:
        super().__init__()
        self.view = RunsModel(runs, model)
        sizes = sizes_for(1280, 720)
        context = PageContext(model, None, self.view, THEMES["light"], sizes, runs, print)
        self.page = RunsPage(context)
        self.setCentralWidget(self.page)

    def view_of(self, _title: str) -> RunsModel:
        return self.view

    def keyPressEvent(self, event) -> None:
        self.page.keys().get(event.key(), lambda: None)()


def settle(window: Host | Window) -> None:
    """Wait for the background work and let the page show its result."""
    window.view_of("Runs").wait()
    window.page.refresh()


def press(window: Host | Window, *keys: Qt.Key, modifier=Qt.KeyboardModifier.NoModifier) -> None:
    for key in keys:
        QTest.keyClick(window.focusWidget() or window, key, modifier)
    settle(window)


def names(window: Host) -> list[str]:
    rows = window.page.table.rows
    return [rows.text(row, 1) for row in range(rows.rowCount())]


def runs_page(window: Host | Window) -> RunsPage:
    return window.page if isinstance(window, Host) else page_as(window, RunsPage)


def opened(window: Host | Window) -> RunPicture:
    press(window, Qt.Key.Key_Return)
    return runs_page(window).panel.picture
