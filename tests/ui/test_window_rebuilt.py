"""The window rebuilt for another theme: old parts are freed, and the heartbeat goes on."""

import gc
import weakref

import pytest
from PySide6.QtCore import QCoreApplication, QEvent, QObject, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu, QWidget

from hil.core import State
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.operate import OperatePage
from ui.dashboard.window import Window


@pytest.fixture
def window(model, qtbot, tmp_path):
    model.feed([make_rows(200, state=State.DE_ENERGISED)], 1.0)
    window = Window(model, runs_directory=tmp_path)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    yield window
    window.view_of("Runs").close()


def parts(window):
    """Return weak references, by name, to all parts that are rebuilt."""
    laid = [*window.pages, window.header, window.strip, window.banner, window.centralWidget()]
    return [(type(part).__name__, weakref.ref(part)) for part in laid]


def deleted():
    """Let Qt delete objects that are due, as its event loop does."""
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete.value)
    QApplication.processEvents()


def alive(references):
    return [name for name, reference in references if reference() is not None]


def test_a_change_of_theme_leaves_nothing_of_the_pages_before(window):
    menus = len([widget for widget in QApplication.allWidgets() if isinstance(widget, QMenu)])
    for _ in range(2):
        before = parts(window)
        window.swap_theme()
        deleted()
        deleted()  # frees their Python parts a turn later; no collector runs meanwhile
        assert alive(before) == []
    now = len([widget for widget in QApplication.allWidgets() if isinstance(widget, QMenu)])
    assert now <= menus  # fewer is possible: menus of earlier tests go as well


def test_a_closed_window_leaves_nothing(model, qapp, tmp_path):
    window = Window(model, runs_directory=tmp_path)
    window.resize(1280, 720)
    window.show()
    window.swap_theme()
    left = [*parts(window), ("window", weakref.ref(window))]
    views = [(type(view).__name__, weakref.ref(view)) for view in window.views]
    window.close()
    window.deleteLater()
    del window
    deleted()
    gc.collect()
    assert alive(left) == []
    assert alive(views) == []


class StyleChanges(QObject):
    """Recorder of the widgets whose style is computed again."""

    def __init__(self):
        super().__init__()
        self.of = []

    def eventFilter(self, watched, event):
        if event.type() == QEvent.Type.StyleChange:
            self.of.append(watched)
        return False


def test_pages_that_go_are_not_styled_again(window, qapp):
    # Several changes before Qt's loop deletes the old pages: each used to take longer than the
    # last.
    before = window.centralWidget()
    changes = StyleChanges()
    qapp.installEventFilter(changes)
    window.swap_theme()
    window.swap_theme()
    qapp.removeEventFilter(changes)
    assert changes.of  # the new pages are styled
    assert not any(before is widget or before.isAncestorOf(widget) for widget in changes.of)


class Windows(QObject):
    """Recorder of widgets shown as windows of their own."""

    def __init__(self):
        super().__init__()
        self.shown = []

    def eventFilter(self, watched, event):
        shown = event.type() == QEvent.Type.Show and isinstance(watched, QWidget)
        if shown and watched.isWindow():
            self.shown.append(f"{type(watched).__name__} {watched.accessibleName()}")
        return False


def test_the_keyboard_stays_with_the_window_that_is_laid_anew(window, qapp, qtbot):
    """A part shown before it has a parent is a window for a moment and takes the keyboard focus."""
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    windows = Windows()
    qapp.installEventFilter(windows)
    for theme in ("dark", "light"):
        QTest.keyClick(window.focusWidget(), Qt.Key.Key_F9)
        assert window.theme.name == theme
        deleted()
        qtbot.wait(1)
        assert window.isActiveWindow() and qapp.focusWidget() is window.page.first_focus()
    qapp.removeEventFilter(windows)
    assert windows.shown == []


def test_no_part_is_a_window_whatever_is_open(window, qapp):
    stop = {"kind": "stop", "cause": "Force", "code": 1, "detail": "", "time_s": 0.2}
    unverified = {"kind": "heartbeat", "reference": "unverified"}
    window.model.feed([unverified, stop, make_rows(20, 0.2, State.STOPPED, tripped=1)], 1.2)
    operate = page_as(window, OperatePage)
    operate.presets.keep()
    for act in (
        operate.toggle_sequences,
        operate.toggle_editor,
        operate.cap.toggle,
        operate.open_house.toggle,
    ):
        act()
    runs = window.view_of("Runs")
    runs.wait()
    windows = Windows()
    qapp.installEventFilter(windows)
    for title in (entry.title for entry in window.entries):
        window.show_page(title)
        window.swap_theme()
    qapp.removeEventFilter(windows)
    assert windows.shown == []


class Beats:
    """A session that records requests for a heartbeat."""

    def __init__(self):
        self.load, self.notes = None, []

    def nothing(self, *_):
        pass

    apply = power_on = power_off = reset = stop = toggle_record = mark = ask = nothing
    take_control = give_control = nothing

    def heartbeat(self):
        self.notes.append("beat")


def test_the_heartbeat_is_sent_between_all_parts_of_a_window_laid_anew(window, qapp, monkeypatch):
    beats, titles = Beats(), [entry.title for entry in window.entries]
    for entry in window.entries:
        inner = entry.page.__init__

        def noted(self, place, inner=inner, title=entry.title):
            inner(self, place)
            beats.notes.append(title)

        monkeypatch.setattr(entry.page, "__init__", noted)
    window.session = beats
    window.swap_theme()
    window.session = None
    notes = beats.notes
    for one, two in zip(["", *titles], [*titles, ""], strict=True):
        begin = notes.index(one) + 1 if one else 0
        end = notes.index(two) if two else len(notes)
        between = notes[begin:end].count("beat")
        assert between >= 2, (one, two)  # the page before is styled, then the next is built
    assert notes[notes.index("Bring-up") : notes.index("Calibrate")].count("beat") >= 6
    assert notes[-1] == "beat"
