"""The one window: header, the pages, the stop strip; its keys and its heartbeat.

The window keeps for itself, on every page: Esc (stop), the pages' keys, F1, F9, and where no text
field has the focus P, T, K, R, and Y and N while the strip asks. ``Page.keys`` has the rest.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from PySide6.QtCore import QEvent, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QKeyEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import QMainWindow, QStackedLayout, QVBoxLayout, QWidget

from ui.dashboard import page_entries
from ui.dashboard.bench import OperateModel, Page, PageContext, Session
from ui.dashboard.company import Company
from ui.dashboard.header import Header
from ui.dashboard.help_window import HelpWindow
from ui.dashboard.operate import OpenHouse, OpenHousePage, OperatePage, PowerBanner, StopStrip
from ui.dashboard.widgets import (
    THEMES,
    RenderScheduler,
    Slice,
    Theme,
    bound,
    sizes_for,
    style_sheet,
)
from ui.manual.key_table import BY_NAME

BEAT_MS = 20
FRAME_S = 0.04
WORDS_S = 0.1
DRAWING_S = 0.008  # between two heartbeats, after which drawing waits
SETTLE_MS = 150  # after the last change of size, before widgets are rebuilt


def nothing() -> None:
    """Do nothing: the action of a button in a window without a bench."""


def collect_soon() -> None:
    """Collect garbage when Qt's loop turns: pages refer to their parts and these to their pages."""
    QTimer.singleShot(0, gc.collect)


class Window(QMainWindow):
    """The dashboard.

    Args:
        model: what is shown.
        session: takes the requests and sends the heartbeat; None for a still picture.
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
        self.entries = page_entries.PAGES
        self.runs_directory = runs_directory
        self.views = [
            entry.view(model, session, runs_directory) if entry.view else None
            for entry in self.entries
        ]
        if session is not None:
            for entry, view in zip(self.entries, self.views, strict=True):
                session.listen(view, entry.title)
        self.sizes = sizes_for(self.width(), self.height())
        self.page_number = 0
        self.pages: list[Page] = []
        self.pacer = RenderScheduler(DRAWING_S)
        self.company = Company(self)  # with the windows of other axes, if any
        self.setWindowTitle(f"{model.profile.name} – Hookeline")
        self.setMinimumSize(1200, 680)  # below it texts of the Operate page overlap

        # Esc from anywhere, whatever has the focus; on key down, once.
        escape = QShortcut(QKeySequence(Qt.Key.Key_Escape), self)
        escape.setContext(Qt.ShortcutContext.ApplicationShortcut)
        escape.setAutoRepeat(False)
        escape.activated.connect(self.stop)
        # With two windows in one process Qt finds the key ambiguous; any of them may stop.
        escape.activatedAmbiguously.connect(self.stop)
        acts: list[tuple[str, Callable[[], None]]] = [
            (entry.key, partial(self.show_page, entry.title)) for entry in self.entries
        ]
        acts += [(BY_NAME["theme"].key, self.swap_theme), (BY_NAME["help"].key, self.show_help)]
        self._shortcuts = [QShortcut(QKeySequence(key), self) for key, _ in acts]
        for key, (_, act) in zip(self._shortcuts, acts, strict=True):
            key.activated.connect(act)
        self._locked = False  # for visitors: see ``ui.dashboard.operate.open_house``
        self.help: HelpWindow | None = None

        self._resized = QTimer(self)
        self._resized.setSingleShot(True)
        self._resized.setInterval(SETTLE_MS)
        self._resized.timeout.connect(self.fit)
        if session is not None:
            self.pacer.add(FRAME_S, self.frame_slices)
            self.pacer.add(WORDS_S, self.word_slices)
            heartbeat = QTimer(self)
            heartbeat.setTimerType(Qt.TimerType.PreciseTimer)
            heartbeat.timeout.connect(self.heartbeat)
            heartbeat.start(BEAT_MS)
        # Due when the event loop has nothing else to do: a key waits for one slice at most.
        self._drawing = QTimer(self)
        self._drawing.timeout.connect(self.draw_slice)

    def heartbeat(self) -> None:
        """Run the window's one rhythm: heartbeat and stop first, drawing with the time left."""
        if self.session is not None:
            self.session.pump()
            self._follow_lock()
            if self.pacer.begin_turn():
                self._drawing.start()

    def draw_slice(self) -> None:
        """Draw one slice, and return to the event loop."""
        more = False
        try:
            more = self.pacer.step()
        finally:
            if not more:
                self._drawing.stop()

    # ------------------------------------------------------------------ building

    def build(self) -> None:
        """Build all widgets for the present theme and size; what was set and shown stays."""
        self.pacer.forget()
        self.company.heartbeat()
        session, model = self.session, self.model
        replaced = self.centralWidget()
        # The sheet has the style, not the window: what is replaced would be styled again. Each
        # part is styled as it is added, with a heartbeat in between; all at once takes too long.
        sheet = QWidget(self)
        sheet.setObjectName("sheet")
        sheet.setStyleSheet(style_sheet(self.theme, self.sizes))
        column = QVBoxLayout(sheet)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        self.banner = PowerBanner(model)
        column.addWidget(self.banner)
        self.header = Header(
            model,
            self.theme,
            self.sizes,
            pages=[(entry.title, entry.key) for entry in self.entries],
            show_page=self.show_page,
            swap_theme=self.swap_theme,
            record=session.toggle_record if session else nothing,
            begin_anew=self.close,
        )
        column.addWidget(self.header)
        room = QWidget()
        column.addWidget(room, 1)
        self.stack = QStackedLayout(room)
        before, self.pages = self.pages, []
        for entry, view in zip(self.entries, self.views, strict=True):
            place = PageContext(
                model, session, view, self.theme, self.sizes, self.runs_directory, self.show_page
            )
            self.company.heartbeat()
            self.pages.append(entry.page(place))
            self.company.heartbeat()
            self.stack.addWidget(self.pages[-1])
        for page, old in zip(self.pages, before, strict=False):
            self.company.heartbeat()
            page.carry_from(old)
        self.strip = StopStrip(
            model,
            self.theme,
            self.sizes,
            stop=self.stop,
            power_on=session.power_on if session else nothing,
            power_off=session.power_off if session else nothing,
            reset=session.reset if session else nothing,
            take_control=session.take_control if session else nothing,
        )
        column.addWidget(self.strip)
        self.visitors = OpenHousePage(self.open_house, model, self.theme, self.sizes)
        self.stack.addWidget(self.visitors)
        self.setCentralWidget(sheet)
        if replaced is not None:
            replaced.destroyed.connect(collect_soon)
        self.company.heartbeat()
        self._bring_up(self.page_number)
        self._show_locked()
        self.refresh()
        self.company.heartbeat()

    @property
    def open_house(self) -> OpenHouse:
        """The mode for visitors."""
        house: OpenHouse = self.view_of("Operate").open_house
        return house

    def _follow_lock(self) -> None:
        """Lock the window for visitors, or unlock it, to follow the mode."""
        if self.open_house.locked == self._locked:
            return
        self._locked = self.open_house.locked
        if self._locked and self.help is not None:
            self.help.close()
        self.page.let_go()
        self._show_locked()
        if self._locked:
            self.showFullScreen()
        else:
            self.showNormal()
            self.show_page("Operate")

    def _show_locked(self) -> None:
        for key in self._shortcuts:
            key.setEnabled(not self._locked)
        self.header.setVisible(not self._locked)
        self.strip.lock(self._locked)
        if self._locked:
            self.stack.setCurrentWidget(self.visitors)
            self.visitors.setFocus()

    @property
    def page(self) -> Page:
        """Page that is shown."""
        return self.pages[self.page_number]

    def page_of(self, title: str) -> Page:
        """Return the page with this title.

        Raises:
            KeyError: no such page.
        """
        return self.pages[self._number_of(title)]

    def view_of(self, title: str) -> Any:
        """Return the view model of the page with this title, None if it has none.

        Raises:
            KeyError: no such page.
        """
        return self.views[self._number_of(title)]

    def _number_of(self, title: str) -> int:
        for number, entry in enumerate(self.entries):
            if entry.title == title:
                return number
        raise KeyError(title)

    def fit(self) -> None:
        """Build widgets for the window's present size, if that needs others."""
        sizes = sizes_for(self.width(), self.height())
        if not self.pages or (sizes != self.sizes and self.company.may_build):
            self.sizes = sizes
            self.build()
        elif sizes != self.sizes:
            self._resized.start()  # until power is off

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        if self.pages:
            self._resized.start()
        else:
            self.fit()

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.WindowDeactivate and self.pages:
            # An operator who holds a key down and looks elsewhere must not keep pushing.
            self.page.let_go()
        return super().event(event)

    # ------------------------------------------------------------------ acts

    def show_page(self, title: str) -> None:
        self.page.let_go()
        self._bring_up(self._number_of(title))
        self.page.refresh()

    def _bring_up(self, number: int) -> None:
        self.page_number = number
        self.stack.setCurrentIndex(number)
        self.header.pages.button(number).setChecked(True)
        self.page.shown()
        focus = self.page.first_focus()
        if focus is not None:
            focus.setFocus()

    def offer(self, sequence: str) -> None:
        """Show a shipped sequence on the Operate page, ready to begin."""
        page = self.page_of("Operate")
        if isinstance(page, OperatePage):
            page.offer(sequence)

    def swap_theme(self) -> None:
        """Change from light to dark or back; refused while this window controls a powered rig."""
        if not self.company.may_build:
            self.model.say("Light or dark changes only with power off: power off first (P)")
            return
        self.company.take_theme(THEMES["dark" if self.theme.name == "light" else "light"])

    def take_theme(self, theme: Theme) -> None:
        self.theme = theme
        self.build()
        if self.help is not None:
            self.help.apply_theme(theme, self.sizes)

    def show_help(self) -> None:
        """Open the manual at the topic of the page that is shown; once open, at the page of keys."""
        if self.help is None:
            self.help = HelpWindow(self.stop)
        topic = self.entries[self.page_number].help_topic
        again = self.help.isVisible() and self.help.topic == topic
        self.help.show_topic("keys" if again else topic)
        self.help.apply_theme(self.theme, self.sizes)
        self.help.show()
        self.help.raise_()
        self.help.activateWindow()

    def stop(self) -> None:
        """Stop the rig, before anything is drawn: from any page, in control or not."""
        self.company.stop()
        self.refresh()

    def keys(self) -> dict[int, Callable[[], object]]:
        """Return the keys of every page."""
        strip = self.strip
        acts: dict[str, Callable[[], object]] = {
            "power": strip.power_pressed,
            "reset": strip.reset.click,
            "control": strip.control.click,
            "record": self.header.record.click,
        }
        if strip.asking:
            acts |= {"yes": strip.answer_yes, "no": strip.answer_no}
        return bound(acts)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Handle keys that no focused widget took; the buttons show them."""
        if self._locked:
            self._visitor_pressed(event)
            return
        if event.isAutoRepeat() or event.modifiers() & (
            Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.AltModifier
        ):
            super().keyPressEvent(event)
            return
        key = event.key()
        strip = self.strip
        here = {} if strip.asking else self.page.keys()
        act = self.keys().get(key) or here.get(key)
        if act is None:
            super().keyPressEvent(event)
            return
        act()
        self.refresh()

    def _visitor_pressed(self, event: QKeyEvent) -> None:
        """Choose a preset, or take a letter of the sequence that unlocks; nothing else."""
        if not event.isAutoRepeat():
            act = bound(self.visitors.keys()).get(event.key())
            if act is not None:
                act()
            elif event.text().isalpha():
                self.open_house.type(event.text(), time.monotonic())
        self._follow_lock()
        self.refresh()

    def closeEvent(self, event: QCloseEvent) -> None:
        if self._locked and event.spontaneous():
            event.ignore()  # the attendant unlocks it first; a signal still closes it
            return
        if self.help is not None:
            self.help.close()
        if self.session is not None:
            for view in self.views:
                if view is not None and hasattr(view, "close"):
                    view.close()
            self.session.close()
            self.session = None
            for timer in self.findChildren(QTimer):
                timer.stop()
        super().closeEvent(event)

    # ------------------------------------------------------------------ looks

    def frame_slices(self) -> list[Slice]:
        """Return the drawing of what moves, in slices."""
        shown = bool(self.pages) and self.isVisible() and not self._locked
        return self.page.frame_slices() if shown else []

    def word_slices(self) -> list[Slice]:
        """Return the update of texts, bars and enabled controls, in slices."""
        if not self.pages:
            return []
        if self._locked:
            return [self.banner.refresh, self.strip.refresh, self.visitors.refresh]
        return [
            self.banner.refresh,
            self.header.refresh,
            self.strip.refresh,
            *self.page.word_slices(),
        ]

    def refresh(self) -> None:
        """Update texts, bars and enabled controls, all at once."""
        for act in self.word_slices():
            act()
