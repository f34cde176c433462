"""The one window: header, the page, the stop strip; its keys and its heartbeat."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import QEvent, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeyEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import QMainWindow, QStackedLayout, QVBoxLayout, QWidget

from ui.dashboard.header import Header
from ui.dashboard.operate_model import OperateModel
from ui.dashboard.operate_page import OperatePage
from ui.dashboard.runs_model import RunsModel
from ui.dashboard.runs_page import RunsPage
from ui.dashboard.session import Session
from ui.dashboard.stop_strip import StopStrip
from ui.dashboard.theme import THEMES, sizes_for, style_sheet

BEAT_MS = 20
FRAME_MS = 40
WORDS_MS = 100
SETTLE_MS = 150  # after the last change of size, before widgets are laid anew


def nothing() -> None:
    """What a button does in a window without a bench behind it."""


class Window(QMainWindow):
    """The dashboard.

    Args:
        model: what is shown.
        session: what the acts go to and the beat comes from; None for a still picture.
        theme: ``light`` or ``dark``.
        runs_directory: where runs are kept, None if not known.
    """

    def __init__(
        self,
        model: OperateModel,
        session: Session | None = None,
        theme: str = "light",
        runs_directory: Path | None = None,
    ) -> None:
        super().__init__()
        self.model = model
        self.session = session
        self.theme = THEMES[theme]
        self.runs = RunsModel(runs_directory)
        self.sizes = sizes_for(self.width(), self.height())
        self.page = 0
        self.setWindowTitle(f"{model.profile.name} – Hookeline")
        self.setMinimumSize(1024, 640)
        self._built = False

        # Esc from anywhere, whatever has the focus; on key down, once.
        escape = QShortcut(QKeySequence(Qt.Key.Key_Escape), self)
        escape.setContext(Qt.ShortcutContext.ApplicationShortcut)
        escape.setAutoRepeat(False)
        escape.activated.connect(self.stop)
        # Two windows in one process: Qt then asks which is meant; any of them may stop.
        escape.activatedAmbiguously.connect(self.stop)
        for key, page in ((Qt.Key.Key_F1, 0), (Qt.Key.Key_F2, 1)):
            QShortcut(QKeySequence(key), self).activated.connect(lambda n=page: self.show_page(n))
        QShortcut(QKeySequence(Qt.Key.Key_F9), self).activated.connect(self.swap_theme)
        QShortcut(QKeySequence(Qt.Key.Key_F5), self).activated.connect(self.runs.renew)

        self._resized = QTimer(self)
        self._resized.setSingleShot(True)
        self._resized.setInterval(SETTLE_MS)
        self._resized.timeout.connect(self._fit)
        if session is not None:
            self._every(BEAT_MS, session.pump, Qt.TimerType.PreciseTimer)
            self._every(FRAME_MS, self.frame)
            self._every(WORDS_MS, self.refresh)

    def _every(
        self, milliseconds: int, act: Callable[[], None],
        kind: Qt.TimerType = Qt.TimerType.CoarseTimer,
    ) -> None:  # fmt: skip
        timer = QTimer(self)
        timer.setTimerType(kind)
        timer.timeout.connect(act)
        timer.start(milliseconds)

    # ------------------------------------------------------------------ building

    def build(self) -> None:
        """Lay all widgets for the present theme and size; what was set and shown stays."""
        view = self.operate.chart_page.charts.view if self._built else None
        self.setStyleSheet(style_sheet(self.theme, self.sizes))
        session = self.session
        model = self.model
        sheet = QWidget()
        sheet.setObjectName("sheet")
        self.header = Header(
            model,
            self.theme,
            self.sizes,
            show_page=self.show_page,
            swap_theme=self.swap_theme,
            record=session.toggle_record if session else nothing,
        )
        self.operate = OperatePage(model, session, self.theme, self.sizes)
        if view is not None:
            self.operate.chart_page.charts.view = view
            self.operate.chart_page.refresh()
        self.runs_page = RunsPage(self.runs, self.theme, self.sizes)
        self.strip = StopStrip(
            model,
            self.theme,
            self.sizes,
            stop=self.stop,
            energise=session.energise if session else nothing,
            power_off=session.power_off if session else nothing,
            reset=session.reset if session else nothing,
            take_control=session.take_control if session else nothing,
        )
        self.pages = QStackedLayout()
        self.pages.addWidget(self.operate)
        self.pages.addWidget(self.runs_page)
        column = QVBoxLayout(sheet)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self.header)
        column.addLayout(self.pages, 1)
        column.addWidget(self.strip)
        self.setCentralWidget(sheet)
        self._built = True
        self.show_page(self.page)
        self.operate.deck.buttons[model.chosen - 1].setFocus()
        self.refresh()

    def _fit(self) -> None:
        sizes = sizes_for(self.width(), self.height())
        if not self._built or sizes != self.sizes:
            self.sizes = sizes
            self.build()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self._built:
            self._resized.start()
        else:
            self._fit()

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.WindowDeactivate and self._built:
            # A hand that holds a key down and looks elsewhere must not go on pushing.
            self.operate.let_go()
        return super().event(event)

    # ------------------------------------------------------------------ acts

    def show_page(self, number: int) -> None:
        self.page = number
        self.pages.setCurrentIndex(number)
        self.header.pages.button(number).setChecked(True)
        if number == 1:
            self.runs.renew()
            self.runs_page.table.setFocus()

    def swap_theme(self) -> None:
        self.theme = THEMES["dark" if self.theme.name == "light" else "light"]
        self.build()

    def stop(self) -> None:
        """Stop the rig: before anything is drawn, from any page, in control or not."""
        if self.session is not None:
            self.session.stop()
            self.session.pump()
        self.refresh()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Keys that no focused widget took. They are shown on what they do."""
        if event.isAutoRepeat() or event.modifiers() & (
            Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier
        ):
            super().keyPressEvent(event)
            return
        key = event.key()
        strip = self.strip
        everywhere: dict[int, Callable[[], object]] = {
            Qt.Key.Key_P: strip.power_pressed,
            Qt.Key.Key_T: strip.reset.click,
            Qt.Key.Key_K: strip.control.click,
            Qt.Key.Key_R: self.header.record.click,
        }
        if strip.asking:
            everywhere |= {Qt.Key.Key_Y: strip.answer_yes, Qt.Key.Key_N: strip.answer_no}
        page = self.operate if self.page == 0 else self.runs_page
        here = {} if strip.asking else page.keys()
        act = everywhere.get(key) or here.get(key)
        if act is None:
            super().keyPressEvent(event)
            return
        act()
        self.refresh()

    def closeEvent(self, event: QCloseEvent) -> None:
        if self.session is not None:
            self.session.close()
            self.session = None
            for timer in self.findChildren(QTimer):
                timer.stop()
        super().closeEvent(event)

    # ------------------------------------------------------------------ looks

    def frame(self) -> None:
        """Redraw what moves."""
        if self._built and self.page == 0 and self.isVisible():
            self.operate.frame()

    def refresh(self) -> None:
        """Renew words, bars and what may be pressed."""
        if not self._built:
            return
        self.header.refresh()
        self.strip.refresh()
        if self.page == 0:
            self.operate.refresh()
        else:
            self.runs_page.refresh()
