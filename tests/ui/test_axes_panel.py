"""Sequences for two axes in one window, by keys and mouse, on simulated rigs with real processes."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import BehaviourCode, State
from hil.host import BenchOptions, start_axes
from hil.host.processes import BenchProcesses
from hil.host.start import start_rig
from hil.link import Client
from hil.profile import load_axes
from hil.recorder import list_runs
from tests.ui.person_at_window import page_as
from ui.dashboard.axes_window import AxesWindow
from ui.dashboard.bench import Session
from ui.dashboard.operate import OperatePage, SequenceModel, SequencePanel
from ui.dashboard.priority import raise_priority
from ui.dashboard.widgets import StatusLabel
from ui.dashboard.window import Window

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate")]

KEY = Qt.Key
PATIENCE_MS = 25_000
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


class Seat:
    """A person at the window of both axes."""

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


def shows(status: StatusLabel, texts: set[str]) -> bool:
    return status.text() in texts


@pytest.mark.usefixtures("own_state")
def test_on_real_rigs_each_axis_asks_for_its_load_before_any_has_power(
    qtbot: Any, tmp_path: Path
) -> None:
    axes = load_axes("two_axes")
    (tmp_path / "sequences").mkdir()
    text = "name: on\naxes: two_axes\nsteps:\n  - power_on\n  - power_off\n"
    (tmp_path / "sequences" / "on.yaml").write_text(text)
    with contextlib.ExitStack() as stack:
        profiles = {}
        for axis, profile in axes.profiles.items():
            rig = stack.enter_context(start_rig(profile))  # on a bus of its own
            bus = profile.drive["bus"] | {"channel": str(rig.link_directory / "can.sock")}
            drive = profile.drive | {"bus": bus}
            profiles[axis] = profile.model_copy(update={"simulation": None, "drive": drive})
        options = BenchOptions(runs_directory=tmp_path / "runs", recorder=False)
        bench = stack.enter_context(start_axes(replace(axes, profiles=profiles), options))
        seat = Seat(bench, qtbot)
        stack.callback(seat.window.close)
        seat.press(KEY.Key_S)
        seat.pick("heel", "on")
        seat.until(seat.panel("heel").begin_button.isEnabled)
        seat.press(KEY.Key_G)
        asked = {
            f"{axis}: {one.stop.load} Is the load supported?" for axis, one in profiles.items()
        }
        status = seat.panel("heel").status
        while asked:  # both on the page shown, one after the other
            seat.until(partial(shows, status, asked))
            assert not any(model.powered for model in seat.models)
            asked.remove(status.text())
            seat.press(KEY.Key_Y)
        seat.until(lambda: not seat.sequences("heel").running)
        assert [seat.sequences(axis).text[:8] for axis in profiles] == ["Finished"] * 2
