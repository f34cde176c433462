"""The Runs page by keyboard: list, search, labels, bin, and its place in the window."""

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.recorder import read_labels
from tests.ui.runs.runs_window import Host, names, opened, press, runs_page
from ui.dashboard.window import Window


def test_the_list_is_searched_by_keyboard_alone(window: Host) -> None:
    assert names(window) == ["0003-wave", "0002-push", "0001-float"]
    press(window, Qt.Key.Key_F, modifier=Qt.KeyboardModifier.ControlModifier)
    QTest.keyClicks(window.focusWidget(), "push")
    assert names(window) == ["0002-push"]
    assert window.page.count.text() == "1 of 3"
    press(window, Qt.Key.Key_Return)  # focus to the table
    assert window.focusWidget() is window.page.table
    press(window, Qt.Key.Key_Return)
    assert window.page.panel.name.text() == "0002-push"


def test_labels_are_typed_and_what_is_wrong_is_said(window: Host, runs: Path) -> None:
    press(window, Qt.Key.Key_Down, Qt.Key.Key_M)
    QTest.keyClicks(window.focusWidget(), "hard push")
    press(window, Qt.Key.Key_Tab)
    QTest.keyClicks(window.focusWidget(), "#stiff, new")
    press(window, Qt.Key.Key_Return)
    labels = read_labels(runs / "0002-push")
    assert (labels.name, labels.tags, labels.note) == ("hard push", ("stiff", "new"), None)
    assert names(window)[1] == "0002 hard push"
    assert "#stiff #new" in window.page.table.rows.text(1, 4)
    press(window, Qt.Key.Key_M)
    window.page.form.fields[0].setText("n" * 81)
    press(window, Qt.Key.Key_Return)
    assert "81 characters" in window.page.form.wrong.text() and window.page.form.isVisible()


def test_pin_bin_and_put_back(window: Host, runs: Path) -> None:
    press(window, Qt.Key.Key_End, Qt.Key.Key_Insert)
    assert names(window)[0] == "0001-float" and window.page.chosen.name == "float"
    press(window, Qt.Key.Key_Delete)
    assert "is pinned" in window.page.text.text() and len(names(window)) == 3
    press(window, Qt.Key.Key_Down, Qt.Key.Key_Delete)
    assert names(window) == ["0001-float", "0002-push"]
    assert "Ctrl+Z" in window.page.text.text()
    press(window, Qt.Key.Key_Z, modifier=Qt.KeyboardModifier.ControlModifier)
    assert names(window) == ["0001-float", "0003-wave", "0002-push"]
    assert window.page.chosen.name == "wave"


@pytest.mark.pages("Operate", "Runs")
def test_the_list_gives_the_picture_its_place(whole_window: Window) -> None:
    window = whole_window
    picture = opened(window)
    before = picture.width()
    press(window, Qt.Key.Key_F10)
    QTest.qWait(1)
    assert runs_page(window).left.isHidden() and picture.width() > 1.5 * before
    press(window, Qt.Key.Key_F9)  # rebuilt in the other theme; the display stays
    page = runs_page(window)
    assert page.left.isHidden() and page.panel.name.text() == "0003-wave"


def test_a_run_that_cannot_be_read_is_said_in_one_line(window: Host, runs: Path) -> None:
    (runs / "0003-wave" / "samples.parquet").write_bytes(b"PAR1 and no more")
    press(window, Qt.Key.Key_Return)
    assert "samples.parquet" in window.page.text.text() and "\n" not in window.page.text.text()
