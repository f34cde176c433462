"""Sequences on the Operate page, by keys and mouse, on a simulated rig with real processes."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import BehaviourCode, State
from hil.host import BenchOptions, start_bench
from hil.link import Client
from hil.profile import find_profile
from hil.sequences import load_sequence
from tests.ui.person_at_window import PersonAtWindow, page_as
from ui.dashboard.bench import Session
from ui.dashboard.operate import OperatePage, SequenceModel
from ui.dashboard.priority import raise_priority

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate")]

PATIENCE_MS = 25_000
SHORT = """\
name: short
steps:
  - power_on
  - {do: hold_position, position: 3 mm, speed: 40 mm/s, for: 0.5 s, note: It rises.}
  - {do: hold_position, position: 2 mm, speed: 40 mm/s, for: 0.4 s}
  - {do: stop, for: 0.2 s}
  - reset
"""
LONG = "name: long\nsteps:\n  - power_on\n  - {do: hold_position, position: 3 mm, for: 60 s}\n  - power_off\n"
WRONG = "name: wrong\nsteps:\n  - power_onn\n"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("live")
    (folder / "sequences").mkdir()
    for name, text in (("a_short", SHORT), ("b_long", LONG), ("c_wrong", WRONG)):
        (folder / "sequences" / f"{name}.yaml").write_text(text)
    with start_bench(
        find_profile("footplate_trainer"), BenchOptions(runs_directory=folder / "runs")
    ) as running:
        yield running


class Seat(PersonAtWindow):
    PATIENCE_MS = PATIENCE_MS

    def __init__(self, bench, qtbot):
        session = Session(Client.connect(bench.link_directory, name="dashboard"))
        super().__init__(qtbot, session, bench.runs_directory)
        raise_priority()
        self.page = page_as(self.window, OperatePage)
        self.sequences = self.window.view_of("Operate").sequences
        self.until(lambda: self.model.link_well and self.model.in_control)
        # A busy computer may have stopped the bench before, and a stop is latched.
        if self.model.state is State.STOPPED:
            self.press(Qt.Key.Key_T)
        self.until(lambda: self.model.state is State.DE_ENERGISED)

    @property
    def asked(self):
        return self.sequences.text, self.sequences.words

    def pick(self, name):
        row = self.sequences.names.index(name)
        while self.page.panel.list.currentRow() != row:
            here = self.page.panel.list.currentRow()
            self.press(Qt.Key.Key_Down if here < row else Qt.Key.Key_Up)
        self.until(lambda: self.sequences.sequence is not None or self.sequences.problem)
        self.until(lambda: self.sequences.problem or self.page.panel.begin_button.isEnabled())


@pytest.fixture
def seat(bench, qtbot):
    someone = Seat(bench, qtbot)
    yield someone
    someone.window.close()


KEY = Qt.Key


def test_a_sequence_is_picked_paused_stepped_and_performed_by_keys(seat):
    seat.press(KEY.Key_S)
    assert seat.page.sequences_shown
    panel, sequences = seat.page.panel, seat.sequences
    seat.pick("c_wrong")
    seat.until(lambda: "did you mean 'power_on'" in panel.status.text())
    assert not panel.begin_button.isEnabled()
    seat.pick("a_short")
    seat.until(panel.begin_button.isEnabled)
    assert panel.preview.plan is sequences.plan and "5 steps" in panel.status.text()
    seat.press(KEY.Key_G, KEY.Key_Period)
    seat.until(lambda: sequences.pacing.held)
    seat.until(lambda: panel.note.text() == "It rises." and not panel.list.isVisible())
    assert panel.begin_button.text() == "Continue" and "Paused before 2/5" in panel.status.text()
    seat.until(lambda: seat.model.state is State.STANDBY)  # shown by later samples
    assert not seat.model.in_control
    seat.press(KEY.Key_Return, KEY.Key_1)  # the deck has no effect now
    assert seat.model.active_behaviour is BehaviourCode.NONE
    seat.press(KEY.Key_S, KEY.Key_I)
    seat.until(lambda: sequences.pacing.held and sequences.pacing.number == 3)
    seat.until(lambda: seat.model.active_behaviour is BehaviourCode.HOLD_POSITION)
    QTest.mouseClick(panel.begin_button, Qt.MouseButton.LeftButton)
    seat.until(lambda: not sequences.running)
    assert sequences.text.startswith("Finished") and not sequences.wrong
    seat.until(lambda: seat.model.in_control)  # control is back at the window


def test_the_tour_is_offered_ready_to_begin(seat):
    seat.window.offer("tour")
    seat.until(lambda: seat.sequences.plan is not None and seat.page.sequences_shown)
    assert seat.sequences.plan.refused == ()
    seat.until(lambda: "let it float" in seat.page.panel.note.text())
    seat.until(seat.page.panel.begin_button.isEnabled)
    assert seat.model.state is not State.RUNNING
    seat.press(KEY.Key_S)
    assert not seat.page.sequences_shown


def test_the_stop_ends_it_and_nothing_begins_it_again(seat):
    seat.press(KEY.Key_S)
    seat.pick("b_long")
    seat.page.panel.times.setValue(3)
    seat.press(KEY.Key_G)
    seat.until(lambda: seat.model.state is State.RUNNING)
    assert "s left" in seat.page.panel.status.text()
    seat.press(KEY.Key_Escape)
    seat.until(lambda: not seat.sequences.running)
    assert "stopped by the operator" in seat.page.panel.outcome.text()
    seat.until(lambda: seat.model.state is State.STOPPED)
    seat.until(lambda: seat.model.in_control)
    assert not seat.page.panel.begin_button.isEnabled()  # a reset comes first
    seat.press(KEY.Key_T)
    seat.until(lambda: seat.model.state is State.DE_ENERGISED)
    seat.until(seat.page.panel.begin_button.isEnabled)
    assert not seat.sequences.running


def test_what_the_operator_does_becomes_a_sequence(seat):
    seat.press(KEY.Key_S, KEY.Key_Q)
    assert seat.page.panel.take_button.text() == "End and write"
    seat.until(lambda: seat.model.may_power_on)
    if seat.model.may_reset:  # the last stop came from another window
        seat.press(KEY.Key_T)
        seat.until(lambda: not seat.model.may_reset)
    seat.press(KEY.Key_P, KEY.Key_Y)
    seat.until(lambda: seat.model.state is State.STANDBY)
    seat.press(KEY.Key_4, KEY.Key_Return)
    seat.until(lambda: seat.model.state is State.RUNNING)
    seat.press(KEY.Key_P)
    seat.until(lambda: seat.model.state is State.DE_ENERGISED)
    seat.press(KEY.Key_S, KEY.Key_Q)
    assert seat.sequences.text.startswith("Written: "), seat.sequences.text
    sequence = load_sequence(seat.sequences.folder / "by_hand_1.yaml")
    done = [step.do for step in sequence.steps if step.do != "wait"]
    assert done == ["power_on", "hold_position", "power_off"]
    seat.until(lambda: seat.sequences.sequence is not None)


def test_without_a_bench_nothing_can_be_begun(model):
    sequences = SequenceModel(model, None)
    sequences.begin()
    assert sequences.wrong and "Not begun: pick a sequence" in sequences.text
    assert sequences.why_not_take == "no bench"
