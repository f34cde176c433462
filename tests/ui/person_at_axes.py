"""A person at the window of several axes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import State
from hil.host.processes import BenchProcesses
from hil.link import Client
from tests.ui.person_at_window import page_as
from ui.dashboard.axes_window import AxesWindow
from ui.dashboard.bench import Session
from ui.dashboard.operate import OperatePage, SequenceModel, SequencePanel
from ui.dashboard.priority import raise_priority
from ui.dashboard.window import Window

KEY = Qt.Key
PATIENCE_MS = 25_000


class Seat:
    """A person at the window of several axes."""

    def __init__(self, bench: BenchProcesses, qtbot: Any) -> None:
        self.qtbot = qtbot
        windows = {}
        for axis, link in bench.axis_links.items():
            session = Session(Client.connect(link, name="dashboard"))
            windows[axis] = Window(session.model, session, runs_directory=bench.runs_directory)
        self.models = [window.model for window in windows.values()]
        self.window = AxesWindow("two axes", windows)
        qtbot.addWidget(self.window)
        self.window.resize(1280, 720)
        self.window.show()
        self.window.activateWindow()
        raise_priority()
        self.until(lambda: all(model.link_well and model.in_control for model in self.models))
        for axis, window in windows.items():
            if window.model.state is State.STOPPED:
                self.window.show_axis(axis)
                self.press(KEY.Key_T)
        self.until_state(State.DE_ENERGISED)
        self.window.show_axis("heel")

    def panel(self, axis: str) -> SequencePanel:
        panel = page_as(self.window.windows[axis], OperatePage).panel
        assert panel is not None
        return panel

    def sequences(self, axis: str) -> SequenceModel:
        return self.panel(axis).sequences

    def until(self, condition: Callable[[], object]) -> None:
        def met() -> None:
            told = [
                (self.sequences(axis).text, self.sequences(axis).words, list(model.notices)[-4:])
                for axis, model in zip(self.window.windows, self.models, strict=True)
            ]
            assert condition(), "\n".join(map(str, told))

        self.qtbot.waitUntil(met, timeout=PATIENCE_MS)
        for window in self.window.windows.values():
            window.refresh()

    def until_state(self, state: State) -> None:
        self.until(lambda: all(model.state is state for model in self.models))

    def press(self, *keys: Qt.Key, modifier: Any = Qt.KeyboardModifier.NoModifier) -> None:
        for key in keys:
            QTest.keyClick(self.window.focusWidget() or self.window, key, modifier)

    def pick(self, axis: str, name: str) -> None:
        sequences, panel = self.sequences(axis), self.panel(axis)
        row = sequences.names.index(name)
        while (here := panel.list.currentRow()) != row:
            self.press(KEY.Key_Down if here < row else KEY.Key_Up)
        self.until(lambda: sequences.sequence is not None or sequences.problem)

    def steps(self, axis: str) -> list[str]:
        steps = self.panel(axis).steps
        return [steps.item(row).text() for row in range(steps.count())]
