"""One meaning for each key: keys, hints, tool tips and the page of keys come from one table."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

import ui.dashboard
from hil.core import CONFIRM_LOAD_MOTION
from hil.profile import load_profile, profile_to_dict
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel
from ui.dashboard.operate import OperatePage
from ui.dashboard.widgets import KeyButton
from ui.dashboard.widgets.keys import codes
from ui.dashboard.window import Window
from ui.manual import find_topic, page_text
from ui.manual.key_table import BY_NAME, EVERYWHERE, KEYS, PAGES

# Keys that the window or a page makes shortcuts of.
SHORTCUTS = {"stop", "help", "theme", *(use.name for use in KEYS if use.key.startswith("Ctrl"))}
SHORTCUTS |= {use.name for use in KEYS if use.name.startswith("page_") and use.key[0] == "F"}


@pytest.fixture(scope="module")
def window(qapp: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    profile = profile_to_dict(load_profile("footplate_trainer"))
    model = OperateModel({"profile": profile, "simulated": True}, history_s=10.0)
    runs = tmp_path_factory.mktemp("keys") / "runs"
    window = Window(model, None, runs_directory=runs)
    window.resize(1440, 900)
    window.show()
    yield window
    window.close()


def names_of(pressed: set[int]) -> set[str]:
    """Return the keys' names in the table; a missing code raises."""
    by_code = {int(code): use.name for use in KEYS for code in plain(use.name)}
    return {by_code[code] for code in pressed}


def plain(name: str) -> tuple[Qt.Key, ...]:
    key = BY_NAME[name].key
    return () if key in ("arrows", "Home, End") or key.startswith("Ctrl") else codes(name)


def used_on(window: Window, title: str) -> set[str]:
    """Return every key that the page takes in any of its states."""
    page: Any = window.page_of(title)
    pressed = set(page.keys())
    if title == "Operate":
        page.toggle_sequences()
        pressed |= set(page.keys())
        page.toggle_sequences()
    if title == "Runs":
        page.panel.show()
        pressed |= set(page.keys())
    return names_of(pressed)


def test_no_key_has_two_meanings() -> None:
    assert Counter(use.key for use in KEYS).most_common(1)[0][1] == 1
    assert Counter(use.name for use in KEYS).most_common(1)[0][1] == 1
    meanings = Counter(use.meaning for use in KEYS)
    assert meanings.most_common(1)[0][1] == 1
    known = {*PAGES, EVERYWHERE}
    assert all(set(use.where) <= known and use.where for use in KEYS)


@pytest.mark.parametrize("title", PAGES)
def test_a_page_takes_the_keys_that_the_table_gives_it(window: Window, title: str) -> None:
    taken = used_on(window, title)
    everywhere = names_of(set(window.keys()))
    assert not taken & everywhere
    promised = {use.name for use in KEYS if title in use.where and not use.by_focus}
    # Yes and no are keys of the window and of a page's questions; some keys belong to a field or
    # picture.
    by_focus = {"Runs": {"enter", "page_up", "page_down"}, "Size": {"enter"}}
    fields = by_focus.get(title, set())
    assert taken - {"yes", "no", "space"} == promised - SHORTCUTS - fields


@pytest.mark.parametrize("title", PAGES)
def test_hints_and_tool_tips_are_the_table_s(window: Window, title: str) -> None:
    page = window.page_of(title)
    shown = {use.shown: use for use in KEYS}
    hints = [button for button in page.findChildren(KeyButton) if button.key]
    assert hints
    for button in hints:
        use = shown[button.key]
        assert title in use.where or EVERYWHERE in use.where, (button.text(), button.key)
        assert button.toolTip(), button.text()


def test_the_window_s_pages_have_the_keys_of_the_table(window: Window) -> None:
    table = {use.meaning: use.key for use in KEYS}
    assert [(entry.title, entry.key) for entry in window.entries] == [
        (title, table[f"the page {title}"]) for title in PAGES
    ]


def test_no_page_names_a_letter_itself() -> None:
    folder = Path(ui.dashboard.__file__).parent
    named = [
        file.name
        for file in folder.rglob("*.py")
        if re.search(r"Key_[A-Z0-9]\b|Key_F\d", file.read_text())
    ]
    assert named == []


def test_f1_shows_the_topic_and_again_the_page_of_keys(window: Window) -> None:
    QTest.keyClick(window, Qt.Key.Key_F1)
    assert window.help is not None and window.help.topic == "operate"
    QTest.keyClick(window.help, Qt.Key.Key_F1)
    assert window.help.topic == "keys"
    shown = window.help.page.toPlainText()
    assert "write a note" in shown and "lay one over another" in shown
    page = page_text(find_topic("keys"))
    assert all(f"| {use.key} | {use.meaning} |" in page for use in KEYS)


def test_a_question_takes_yes_and_no_from_the_page(window: Window) -> None:
    page = page_as(window, OperatePage)
    page.model.refusal = f"It will fall. {CONFIRM_LOAD_MOTION}"
    acts = page.keys()
    assert acts[Qt.Key.Key_N] == page.deck.leave_it and acts[Qt.Key.Key_Y] == page.deck.let_move
