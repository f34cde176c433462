"""Choice of a spring set in the header: offered only without power; the bench then restarts."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from made_rows import make_rows
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import State
from hil.host import BenchOptions
from ui import cli
from ui.commands import bench
from ui.commands.bench_asked import bench_asked
from ui.dashboard.bench import OperateModel, SpringChoice
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

SOFT, STIFF = Path("soft.yaml"), Path("stiff.yaml")

SOFT_TEXT = """\
based_on: stiff.yaml
name: soft
actuator:
  springs: {rate_per_set: 15 N/mm, preload: 4 mm, solid_deflection: 11 mm}
limits:
  force: {limited: 170 N, tripped: 205 N}
  deflection: {limited: 7 mm, tripped: 8 mm}
calibration:
  zero: 8120
  deflection_per_count: -1.4684 um/count
  spring_law: {kind: two_slopes, inner_rate: 30 N/mm, outer_rate: 15 N/mm, knee: 4 mm}
"""


@pytest.fixture
def window(qapp, model: OperateModel) -> Iterator[Window]:
    model.springs = SpringChoice(((STIFF, "'stiff', verified"), (SOFT, "'soft', not verified")))
    model.in_control = True
    window = Window(model)
    window.resize(1280, 720)
    window.fit()
    window.show()
    yield window
    window.close()
    window.deleteLater()


def test_another_set_is_chosen_and_the_window_closes(window: Window, qtbot) -> None:
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    button = window.header.springs
    assert button is not None and button.isEnabled()
    assert window.model.profile.name in button.text()
    button.setFocus()
    QTest.keyClick(button, Qt.Key.Key_Space)  # by keyboard alone
    menu = button.menu_of_sets
    assert menu.isVisible()
    said = [action.text() for action in menu.actions()]
    assert said[0].startswith("Which springs are fitted?") and "with power off" in said[0]
    assert said[1:] == ["in use: 'stiff', verified", "'soft', not verified"]
    assert [action.isEnabled() for action in menu.actions()] == [False, False, True]
    QTest.keyClick(menu, Qt.Key.Key_Down)
    QTest.keyClick(menu, Qt.Key.Key_Return)
    assert window.model.springs is not None and window.model.springs.chosen == SOFT
    assert not window.isVisible()


@pytest.mark.parametrize("why", ["power off first", "the client in control"])
def test_it_is_locked_under_power_and_for_who_watches(window: Window, why: str) -> None:
    button = window.header.springs
    assert button is not None
    button.click()
    if "power" in why:
        window.model.feed([make_rows(10, state=State.STANDBY)], 1.0)
    else:
        window.model.in_control = False
    window.header.refresh()
    assert not button.isEnabled() and button.toolTip().startswith(why)
    assert not button.menu_of_sets.isVisible()
    button.menu_of_sets.actions()[2].trigger()
    assert window.model.springs is not None and window.model.springs.chosen is None
    assert window.isVisible()


def test_a_rig_with_one_set_shows_its_name_alone(qapp, model: OperateModel) -> None:
    window = Window(model)
    window.fit()
    assert window.header.springs is None
    window.close()
    window.deleteLater()


def test_the_command_begins_anew_and_forgets_what_was_stated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "stiff.yaml").write_text("based_on: bench_slide.yaml\nname: stiff\n")
    (tmp_path / "soft.yaml").write_text(SOFT_TEXT)
    begun: list[str] = []
    stated: list[bool] = []
    asked_as_usual = bench_asked

    def ask(options: argparse.Namespace, *more: Any) -> BenchOptions:
        stated.append(options.reference_at_lower_end)
        return asked_as_usual(options, *more)

    @contextlib.contextmanager
    def start(profile: str, _asked: object) -> Iterator[SimpleNamespace]:
        begun.append(Path(profile).stem)
        yield SimpleNamespace(notices=[], link_directory=tmp_path, keep_wire_log=lambda _run: None)

    def show(_where: Path, springs: SpringChoice, **_more: object) -> int:
        assert springs.sets[0][1].startswith(f"'{begun[-1]}', ")
        if len(begun) == 1:
            springs.chosen = springs.sets[1][0]
        return 0

    monkeypatch.setattr(bench, "start_bench", start)
    monkeypatch.setattr(bench, "bench_asked", ask)
    monkeypatch.setattr(bench, "operate", show)
    monkeypatch.setattr(bench, "has_display", lambda: True)
    given = ["--profile", str(tmp_path / "stiff.yaml"), "--runs", str(tmp_path / "runs")]
    assert cli.main(["bench", *given, "--reference-at-lower-end"]) == 0
    assert begun == ["stiff", "soft"] and stated == [True, False]
    said = capsys.readouterr()
    assert "another set of springs was chosen" in said.out + said.err


def test_a_set_that_is_left_out_stands_in_the_list_with_its_reason(qapp, model, qtbot) -> None:
    words = "'hard.yaml' is left out: line 4: actuator.springs.rate_per_set: not a rate"
    model.springs = SpringChoice(((STIFF, "'stiff', verified"),), (words,))
    model.in_control = True
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.fit()
    button = window.header.springs
    assert button is not None
    [*_, last] = button.menu_of_sets.actions()
    assert last.text() == words and not last.isEnabled()
