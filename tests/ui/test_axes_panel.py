"""Sequences for two axes in one window, by keys and mouse, on simulated rigs with real processes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import BehaviourCode, State
from hil.host import BenchOptions, start_axes
from hil.host.processes import BenchProcesses
from hil.profile import load_axes
from hil.recorder import list_runs
from tests.ui.person_at_axes import Seat
from tests.ui.person_at_window import page_as
from ui.dashboard.operate import OperatePage

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate")]

KEY = Qt.Key
SHORT = """\
name: short
axes: two_axes
steps:
  - power_on
  - {do: hold_position, position: 3 mm, speed: 40 mm/s, for: 0.5 s}
  - do: together
    steps:
      - {axis: heel, do: hold_position, position: 4 mm, speed: 40 mm/s, for: 0.5 s}
      - {axis: toe, do: hold_position, position: 5 mm, speed: 40 mm/s, for: 0.3 s}
  - {axis: toe, do: hold_position, position: 2 mm, speed: 40 mm/s, for: 0.4 s, note: The toe alone.}
  - power_off
"""
LONG = (
    "name: long\naxes: two_axes\nsteps:\n  - power_on\n"
    "  - {do: hold_position, position: 3 mm, for: 60 s}\n  - power_off\n"
)
ONE = "name: one\nsteps:\n  - power_on\n  - {do: hold_position, position: 3 mm, for: 0.2 s}\n  - power_off\n"
WRONG = "name: wrong\naxes: two_axes\nsteps:\n  - {axis: hele, do: wait, for: 1 s}\n"
FILES = {"a_short": SHORT, "b_long": LONG, "c_one": ONE, "d_wrong": WRONG}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BenchProcesses]:
    folder = tmp_path_factory.mktemp("axes")
    (folder / "sequences").mkdir()
    for name, text in FILES.items():
        (folder / "sequences" / f"{name}.yaml").write_text(text)
    options = BenchOptions(runs_directory=folder / "runs")
    with start_axes(load_axes("two_axes"), options) as running:
        yield running


@pytest.fixture
def seat(bench: BenchProcesses, qtbot: Any) -> Iterator[Seat]:
    someone = Seat(bench, qtbot)
    yield someone
    someone.window.close()


def test_both_axes_are_picked_paused_and_performed_from_one_panel(
    seat: Seat, bench: BenchProcesses
) -> None:
    seat.press(KEY.Key_S)
    seat.pick("heel", "d_wrong")
    panel = seat.panel("heel")
    seat.until(lambda: "did you mean 'heel'" in panel.status.text())
    assert not panel.begin_button.isEnabled()
    seat.pick("heel", "a_short")
    seat.until(panel.begin_button.isEnabled)
    assert "5 steps" in panel.status.text() and "on heel and toe" in panel.status.text()
    steps = seat.steps("heel")
    assert steps[0] == "1  all: power on"
    assert steps[2] == "3  heel: hold position 4 mm\n    toe: hold position 5 mm"
    assert steps[3] == "4  toe: hold position 2 mm"
    seat.press(KEY.Key_Tab, modifier=Qt.KeyboardModifier.ControlModifier)  # the toe has it too
    seat.press(KEY.Key_S)
    seat.until(seat.panel("toe").begin_button.isEnabled)
    assert seat.steps("toe") == steps
    # Begun from the toe's page, it runs on both, and pauses on both at one step boundary.
    seat.press(KEY.Key_G, KEY.Key_Period)
    both = [seat.sequences(axis) for axis in ("heel", "toe")]
    seat.until(lambda: all(one.pacing.held for one in both))
    assert {one.pacing.number for one in both} == {2}
    assert "Paused before 2/5" in seat.panel("toe").status.text()
    seat.until_state(State.STANDBY)
    seat.press(KEY.Key_I)
    seat.until(lambda: all(one.pacing.held and one.pacing.number == 3 for one in both))
    assert {model.active_behaviour for model in seat.models} == {BehaviourCode.HOLD_POSITION}
    assert seat.panel("heel").steps.item(2).font().bold()
    QTest.mouseClick(seat.panel("toe").begin_button, Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.panel("heel").note.text() == "The toe alone.")
    seat.until(lambda: not any(one.running for one in both))
    assert [one.text[:8] for one in both] == ["Finished"] * 2, [one.text for one in both]
    seat.until_state(State.DE_ENERGISED)
    seat.until(lambda: all(model.in_control for model in seat.models))
    names = {run.name for run in list_runs(bench.runs_directory)}
    assert {"short heel", "short toe"} <= names, names


def test_one_stop_ends_it_on_every_axis(seat: Seat) -> None:
    seat.press(KEY.Key_S)
    seat.pick("heel", "b_long")
    seat.until(seat.panel("heel").begin_button.isEnabled)
    seat.press(KEY.Key_G)
    seat.until_state(State.RUNNING)
    seat.press(KEY.Key_Escape)
    both = [seat.sequences(axis) for axis in ("heel", "toe")]
    seat.until(lambda: not any(one.running for one in both))
    assert all(one.wrong and one.text.startswith("Ended: ") for one in both)
    assert any("stopped by the operator" in one.text for one in both)
    seat.until_state(State.STOPPED)
    seat.until(lambda: all(model.in_control for model in seat.models))
    assert not seat.panel("heel").begin_button.isEnabled()
    # Reset on one axis is not enough: the reason names the other one.
    seat.press(KEY.Key_T)
    seat.until(lambda: seat.models[0].state is State.DE_ENERGISED)
    assert "axis 'toe': stopped" in seat.sequences("heel").why_not_begin


def test_an_abort_ends_every_axis(seat: Seat) -> None:
    seat.press(KEY.Key_S)
    seat.pick("heel", "b_long")
    seat.until(seat.panel("heel").begin_button.isEnabled)
    seat.press(KEY.Key_G)
    seat.until_state(State.RUNNING)
    QTest.mouseClick(seat.panel("heel").abort_button, Qt.MouseButton.LeftButton)
    seat.until(lambda: not seat.sequences("heel").running)
    assert "aborted by the operator" in seat.sequences("heel").text
    seat.until_state(State.STOPPED)


def test_a_sequence_of_one_axis_moves_that_one_alone(seat: Seat) -> None:
    seat.press(KEY.Key_S)
    seat.pick("heel", "b_long")
    assert seat.sequences("toe").joint is not None
    seat.pick("heel", "c_one")
    assert seat.sequences("toe").joint is None and seat.sequences("toe").chosen == -1
    assert not seat.panel("heel").steps.isVisible()
    seat.until(seat.panel("heel").begin_button.isEnabled)
    seat.press(KEY.Key_G)
    seat.until(lambda: seat.sequences("heel").running)
    assert not seat.sequences("toe").running
    seat.until(lambda: not seat.sequences("heel").running)
    assert seat.sequences("heel").text.startswith("Finished")
    assert seat.models[1].state is State.DE_ENERGISED


def test_the_shipped_one_is_offered_and_edited_as_a_copy(seat: Seat) -> None:
    seat.press(KEY.Key_S)
    seat.pick("heel", "demo_two_axes (shipped)")
    assert seat.sequences("heel").problem == ""
    assert any("follows 'heel'" in step for step in seat.steps("heel"))
    page = page_as(seat.window.windows["heel"], OperatePage)
    seat.press(KEY.Key_F12)
    assert page.editing and page.editor is not None
    editor = page.editor.editor
    seat.until(lambda: editor.up_to_date and editor.checked.plan is not None)
    assert editor.checked.problems == () and "axes: two_axes" in editor.text
