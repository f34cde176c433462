"""The editor of sequences: completion, ranges, checks while typing, and protected shipped files."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.profile import load_profile
from hil.sequences import SEQUENCES, load_sequence, shipped_sequences
from tests.ui.person_at_window import page_as
from ui.dashboard.operate import OperatePage
from ui.dashboard.operate.sequence_editor import SequenceEditor
from ui.dashboard.operate.sequence_hints import hint, kind_at
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

PROFILE = load_profile("footplate_trainer")
GOOD = "name: good\nsteps:\n  - power_on\n  - {do: hold_position, position: 8 mm, for: 1 s}\n  - power_off\n"
Key = Qt.Key
CTRL = Qt.KeyboardModifier.ControlModifier


@pytest.fixture
def window(model: Any, qapp: Any, qtbot: Any, tmp_path: Path) -> Any:
    window = Window(model, None, runs_directory=tmp_path / "runs")
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    yield window


def checked(editor: SequenceEditor) -> SequenceEditor:
    """Wait for the checking thread, as the page's refresh does."""
    editor.check()
    for _ in range(500):
        editor.turn()
        if editor.up_to_date:
            return editor
        time.sleep(0.01)
    raise AssertionError("the check did not come back")


@pytest.fixture
def editor(model: Any, tmp_path: Path) -> SequenceEditor:
    return SequenceEditor(model, tmp_path / "sequences")


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("nam", "name: "),
        ("name: x\nst", "steps: "),
        ("steps:\n  - power_o", "power_on"),
        ("steps:\n  - {do: hold", "hold_position"),
        ("steps:\n  - {do: hold_position, pos", "position: "),
        ("steps:\n  - {do: hold_position, position: 3 mm, f", "for: "),
        ("steps:\n  - do: constant_force\n    dam", "damping: "),
        ("steps:\n  - {do: waveform, shape: s", "sine"),
        ("steps:\n  - {do: constant_force, load_may_move: t", "true"),
    ],
)
def test_completion_knows_what_may_stand_there(text: str, word: str) -> None:
    assert word in hint(text, len(text), PROFILE).words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("steps:\n  - {do: constant_force, force: ", "-580 to 580 N"),
        ("steps:\n  - {do: hold_position, position: 3", "2 to 53 mm"),
        ("steps:\n  - {do: hang, mass: ", "2.5 kg"),
        ("steps:\n  - {do: virtual_spring, stiffness: 2", "up to 117.6 N/mm"),
    ],
)
def test_ranges_are_those_of_the_rig(text: str, words: str) -> None:
    assert words in hint(text, len(text), PROFILE).range


def test_a_step_of_several_lines_is_one() -> None:
    text = "steps:\n  - do: float\n    for: 2 s\n    damping: "
    assert kind_at(text, len(text)) == "float"
    assert kind_at("name: x\nsteps:\n", 8) == ""


def test_a_check_names_each_line_and_shows_the_setpoints(editor: SequenceEditor) -> None:
    editor.open(None)
    editor.write(GOOD.replace("power_on", "power_onn").replace("8 mm", "8"))
    lines = checked(editor).lines
    assert "did you mean 'power_on'" in lines[3] and "'8' has no unit" in lines[4]
    editor.write("name: [")
    assert 1 in checked(editor).lines or 2 in checked(editor).lines
    editor.write(GOOD)
    assert not checked(editor).lines and editor.checked.plan is not None
    editor.write(GOOD.replace("hold_position, position: 8 mm", "hang, mass: 77 kg"))
    assert "no weight of 77 kg" in checked(editor).lines[4]


def test_a_new_one_is_sound_and_saved_once(editor: SequenceEditor) -> None:
    assert editor.open(None)
    assert not checked(editor).lines
    assert editor.save() and editor.file is not None and not editor.dirty
    assert load_sequence(editor.file).name == "new"
    editor.write(GOOD)
    assert editor.dirty and editor.save()
    assert load_sequence(editor.file).name == "good"
    assert not list(editor.folder.glob("*.part"))


@pytest.mark.parametrize("name", shipped_sequences())
def test_a_shipped_one_is_never_overwritten(editor: SequenceEditor, name: str) -> None:
    before = {file: file.read_bytes() for file in SEQUENCES.glob("*.yaml")}
    assert editor.open(name) and editor.file == editor.folder / f"{name}.yaml"
    editor.write(editor.text + "# mine\n")
    assert editor.save()
    # A shipped file opened by its path is protected as well.
    assert editor.open(SEQUENCES / f"{name}.yaml")
    editor.write(editor.text + "# mine\n")
    assert editor.save() and editor.file.parent == editor.folder
    assert {file: file.read_bytes() for file in SEQUENCES.glob("*.yaml")} == before


def test_a_file_that_others_made_or_changed_stays(editor: SequenceEditor) -> None:
    editor.open(None)
    editor.folder.mkdir()
    theirs = editor.folder / "new.yaml"
    theirs.write_text("theirs")
    assert not editor.save() and "now exists" in editor.said
    assert theirs.read_text() == "theirs"
    assert editor.save() and editor.file == editor.folder / "new_2.yaml"
    editor.file.write_text("theirs")
    editor.write(GOOD)
    assert not editor.save() and "changed by another program" in editor.said
    assert editor.file.read_text() == "theirs"


def test_a_folder_that_cannot_be_written_is_said(editor: SequenceEditor) -> None:
    editor.open(None)
    editor.folder.write_text("a file in the place of the folder")
    assert not editor.save() and editor.wrong and "Not saved" in editor.said


def test_by_keyboard_from_nothing_to_a_picked_sequence(window: Window, qtbot: Any) -> None:
    page = page_as(window, OperatePage)
    assert page.editor is not None
    QTest.keyClick(window, Key.Key_F12)
    assert page.editing and not page.chart_page.isVisible()
    entry, editor = page.editor.entry, page.editor.editor
    assert window.focusWidget() is entry and editor.text.startswith("name: new")
    entry.selectAll()
    QTest.keyClicks(entry, "name: mine")
    QTest.keyClick(entry, Key.Key_Return)
    QTest.keyClicks(entry, "steps:")
    QTest.keyClick(entry, Key.Key_Return)
    QTest.keyClicks(entry, "  - power_onn")
    qtbot.waitUntil(lambda: _turned(window) and 3 in editor.lines, timeout=10_000)
    assert "line 3" in page.editor.problems.text()
    assert len(entry.extraSelections()) == 1
    assert page.editor.preview.plan is None
    QTest.keyClick(entry, Key.Key_Backspace)
    QTest.keyClick(entry, Key.Key_Return)
    QTest.keyClicks(entry, "- {do: hold_position, position: 8 mm")
    assert "2 to 53 mm" in page.editor.range.text()
    QTest.keyClicks(entry, ", fo")
    QTest.keyClick(entry, Key.Key_Space, CTRL)
    assert entry.toPlainText().endswith(", for: ")
    QTest.keyClicks(entry, "1 s}")
    QTest.keyClick(entry, Key.Key_Return)
    QTest.keyClicks(entry, "- power_off")
    qtbot.waitUntil(lambda: _turned(window) and editor.up_to_date, timeout=10_000)
    qtbot.waitUntil(lambda: _turned(window) and not editor.lines, timeout=10_000)
    assert page.editor.preview.plan is editor.checked.plan is not None
    assert page.editor.title.text() == "new.yaml *"
    QTest.keyClick(entry, Key.Key_S, CTRL)
    assert editor.file.read_text() == entry.toPlainText()
    assert page.editor.title.text() == "new.yaml"
    QTest.keyClick(entry, Key.Key_F12)
    assert page.sequences_shown and page.chart_page.isVisible()
    assert page.panel.sequences.picked == editor.file


def _turned(window: Window) -> bool:
    window.refresh()
    return True


def test_a_picked_shipped_one_is_edited_as_a_copy(window: Window) -> None:
    page = page_as(window, OperatePage)
    QTest.keyClick(window, Key.Key_S)
    first = page.panel.sequences.picked
    assert first in shipped_sequences()
    QTest.mouseClick(page.panel.edit_button, Qt.MouseButton.LeftButton)
    assert page.editor.editor.text == (SEQUENCES / f"{first}.yaml").read_text()
    assert page.editor.editor.file.parent == page.panel.sequences.folder
    assert "copy of the shipped one" in page.editor.problems.text()


def test_what_is_typed_outlives_closing_and_another_theme(window: Window) -> None:
    page = page_as(window, OperatePage)
    QTest.keyClick(window, Key.Key_F12)
    QTest.keyClicks(page.editor.entry, "# first")
    QTest.keyClick(page.editor.entry, Key.Key_Return)
    QTest.mouseClick(page.editor.close_button, Qt.MouseButton.LeftButton)
    QTest.keyClick(window, Key.Key_F12)
    assert page.editor.entry.toPlainText().startswith("# first")
    window.swap_theme()
    page = page_as(window, OperatePage)
    assert page.editing and page.editor.entry.toPlainText().startswith("# first")
    before = page.model.refusal
    page.keys().get(Key.Key_Return, lambda: None)()  # the key applies no behaviour here
    assert page.model.refusal == before


def test_the_editor_leaves_the_deck_as_narrow_as_it_is(window: Window) -> None:
    page = page_as(window, OperatePage)
    assert page.editor is not None
    page.right.removeWidget(page.editor)
    without = page.right.minimumSizeHint().width()
    page.right.addWidget(page.editor)
    assert page.right.minimumSizeHint().width() == without
