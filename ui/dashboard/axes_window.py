"""Window for several axes: their bar at the top, and below it the pages of the axis that is shown.

Each axis has its own window inside this one, with its model, session and pages. All of them send
heartbeats all the time; only the one shown is drawn. Esc stops every axis.
"""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import QSize, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeyEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import QMainWindow, QStackedLayout, QVBoxLayout, QWidget

from ui.dashboard.axes_bar import AxesBar
from ui.dashboard.operate import AxesPlans, AxesSequences
from ui.dashboard.widgets import sizes_for
from ui.dashboard.window import Window
from ui.manual.key_table import BY_NAME

LOOK_MS = 100
NO_OPEN_HOUSE = "open house is for one axis. Fix: start the profile of one axis"


class AxesWindow(QMainWindow):
    """The dashboard of several axes.

    Args:
        name: name of the axes file.
        windows: window of each axis, not yet shown.
    """

    def __init__(self, name: str, windows: Mapping[str, Window]) -> None:
        super().__init__()
        self.windows = dict(windows)
        self.setWindowTitle(f"{name} – Hookeline")
        first, *others = self.windows.values()
        for window in others:
            first.company.join(window)
        self._sheet = QWidget(self)
        self._column = QVBoxLayout(self._sheet)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(0)
        room = QWidget()
        self._column.addWidget(room, 1)
        self.stack = QStackedLayout(room)
        for window in self.windows.values():
            window.setWindowFlags(Qt.WindowType.Widget)
            window.open_house.not_here = NO_OPEN_HOUSE
            self.stack.addWidget(window)
        self._join_sequences()
        self.setCentralWidget(self._sheet)
        self.axis = next(iter(self.windows))
        self._answers = dict.fromkeys(self.windows, False)
        self._theme = first.theme
        self.bar = self._make_bar()
        low = first.minimumSize()
        self.setMinimumSize(low.width(), low.height() + self.bar.height())
        key = QShortcut(QKeySequence(BY_NAME["axis"].key), self)
        key.activated.connect(self.next_axis)
        self._look = QTimer(self)
        self._look.timeout.connect(self.refresh)
        self._look.start(LOOK_MS)

    def _join_sequences(self) -> None:
        """Let the page of each axis perform sequences for all of them."""
        views = {name: window.view_of("Operate") for name, window in self.windows.items()}
        plans = AxesPlans({name: window.model.profile for name, window in self.windows.items()})
        axes = AxesSequences(plans, {name: view.sequences for name, view in views.items()})
        for name, view in views.items():
            view.sequences.axis, view.sequences.axes = name, axes
            view.editor.axis, view.editor.plans = name, plans

    @property
    def shown(self) -> Window:
        """Window of the axis shown."""
        return self.windows[self.axis]

    def _make_bar(self) -> AxesBar:
        models = {name: window.model for name, window in self.windows.items()}
        sizes = sizes_for(max(self.width(), 1), max(self.height(), 1))
        bar = AxesBar(models, self._theme, sizes, self.show_axis, self.next_axis)
        self._column.insertWidget(0, bar)
        bar.shown(self.axis)
        bar.refresh()
        return bar

    def _renew_bar(self) -> None:
        before = self.bar
        self.bar = self._make_bar()
        self._column.removeWidget(before)
        before.hide()
        before.deleteLater()

    def build(self) -> None:
        """Build the pages of every axis for the present size, also of those not shown."""
        self._renew_bar()
        room = QSize(self.width(), self.height() - self.bar.height())
        for window in self.windows.values():
            window.resize(room)
            window.fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if not self.shown.pages:
            self.build()
        elif self.shown.company.may_build:
            self._renew_bar()

    def show_axis(self, name: str) -> None:
        """Show the pages of this axis; a key held down on the other axis is released."""
        self.shown.page.let_go()
        self.axis = name
        self.stack.setCurrentWidget(self.shown)
        self.bar.shown(name)
        self.shown.refresh()
        focus = self.shown.page.first_focus() or self.shown
        focus.setFocus()

    def next_axis(self) -> None:
        """Show the next axis; after the last one, the first."""
        names = list(self.windows)
        self.show_axis(names[(names.index(self.axis) + 1) % len(names)])

    def refresh(self) -> None:
        """Update the bar; report on all other axes when one falls silent."""
        if self.shown.theme is not self._theme:
            self._theme = self.shown.theme
            self._renew_bar()
        for name, window in self.windows.items():
            answers = window.model.link_well
            if self._answers[name] and not answers:
                for other in self.windows.values():
                    if other is not window:
                        other.model.say(
                            f"the axis '{name}' does not answer: look at it, then reset"
                        )
            self._answers[name] = answers
        self.bar.refresh()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Pass keys that the bar does not take to the axis shown."""
        if self.bar.isAncestorOf(self.focusWidget() or self):
            self.shown.keyPressEvent(event)
        else:
            super().keyPressEvent(event)

    def closeEvent(self, event: QCloseEvent) -> None:
        self._look.stop()
        for window in self.windows.values():
            window.close()
        super().closeEvent(event)
