"""The window on a simulated rig, with real processes, driven by keys."""

import contextlib
import time
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core.requests import Apply, Float, PowerOn, VirtualSpring
from hil.core.samples import BehaviourCode, State
from hil.host.start import BenchOptions, start_bench
from hil.link import Answer
from hil.link.client import Client, Event, Refused
from hil.profile.loader import find_profile
from tests.ui.person_at_window import PersonAtWindow, page_as
from ui.dashboard.bench.session import OPENING_S, Session
from ui.dashboard.operate import OperatePage
from ui.dashboard.operate.presets import Preset
from ui.dashboard.priority import give_way, raise_priority
from ui.dashboard.runs import RunsPage

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate", "Runs")]

PATIENCE_MS = 15_000


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Start the demo rig as shipped, heartbeat limit included."""
    folder = tmp_path_factory.mktemp("live")
    profile = Path(find_profile("footplate_trainer"))
    with start_bench(profile, BenchOptions(runs_directory=folder / "runs")) as running:
        yield running


class Seat(PersonAtWindow):
    """Dashboard and a person at it."""

    PATIENCE_MS = PATIENCE_MS

    def __init__(self, bench, qtbot, watch_only=False, name="dashboard"):
        session = Session(Client.connect(bench.link_directory, name=name), watch_only)
        super().__init__(qtbot, session, bench.runs_directory)
        raise_priority()  # as the dashboard does
        self.until(lambda: self.model.link_well)

    def hold(self):
        self.qtbot.wait(300)  # not QTest.qWait, which keeps the lock from the heartbeat's thread
        if not self.model.in_control:
            self.press(Qt.Key.Key_K)
        self.until(lambda: self.model.in_control)

    def state_is(self, state):
        self.until(lambda: self.model.state is state)

    def reset(self):
        if self.model.state is State.STOPPED:
            self.press(Qt.Key.Key_T)
        self.state_is(State.DE_ENERGISED)

    def power_on(self):
        # With power off the lever sinks onto its end; power-on during the motion would trip.
        self.until(lambda: abs(self.model.figure("output_velocity_m_s")) < 5e-4)
        self.qtbot.wait(300)
        self.until(lambda: abs(self.model.figure("output_velocity_m_s")) < 5e-4)
        if not self.model.in_control:  # a busy computer loses control while the window is built
            self.press(Qt.Key.Key_K)
            self.until(lambda: self.model.in_control)
        if self.model.may_reset:  # the last reset was made by a window since closed
            self.press(Qt.Key.Key_T)
            self.until(lambda: not self.model.may_reset)
        self.press(Qt.Key.Key_P, Qt.Key.Key_Y)
        self.state_is(State.STANDBY)

    def leave(self):
        give_way()
        self.window.close()


@pytest.fixture
def seat(bench, qtbot):
    seat = Seat(bench, qtbot)
    seat.until(lambda: seat.model.in_control)
    yield seat
    seat.leave()


def test_every_behaviour_by_keyboard_then_esc_then_reset(seat):
    model = seat.model
    assert model.state is State.DE_ENERGISED
    seat.session.load.hang(2.5)
    seat.until(lambda: model.hung_kg == 2.5)
    seat.power_on()
    for key, code in zip(
        (Qt.Key.Key_1, Qt.Key.Key_2, Qt.Key.Key_3, Qt.Key.Key_4, Qt.Key.Key_5),
        list(BehaviourCode)[1:6],
        strict=True,
    ):
        seat.press(key)
        if code is BehaviourCode.CONSTANT_FORCE:
            seat.press(Qt.Key.Key_Tab)
            entry = page_as(seat.window, OperatePage).deck.rows[0].entry
            entry.setFocus()
            entry.selectAll()
            QTest.keyClicks(entry, "200")
        before = model.active_behaviour
        seat.qtbot.wait(60)
        assert model.active_behaviour == before, list(model.notices)  # a choice alone does nothing
        seat.press(Qt.Key.Key_Return)
        deck = page_as(seat.window, OperatePage).deck
        seat.until(lambda code=code, deck=deck: model.active_behaviour == code or deck.asking)
        if deck.asking:  # the weight would move to an end
            seat.press(Qt.Key.Key_Y)
        seat.until(lambda code=code: model.active_behaviour == code)
        assert model.refusal == ""
        assert page_as(seat.window, OperatePage).deck.buttons[code - 1].acting
    seat.press(Qt.Key.Key_Escape)
    seat.state_is(State.STOPPED)
    seat.until(lambda: model.last_stop.startswith("Operator"))
    assert seat.window.strip.state.text() == "Stopped"
    seat.press(Qt.Key.Key_1, Qt.Key.Key_Return)  # only a reset leaves this state
    seat.qtbot.wait(100)
    assert model.state is State.STOPPED
    assert "reset" in model.refusal or "reset" in model.why_not_apply
    seat.press(Qt.Key.Key_T)
    seat.state_is(State.DE_ENERGISED)
    assert model.active_behaviour is BehaviourCode.NONE


def test_a_window_that_opens_takes_no_control_from_a_procedure_begun_meanwhile(bench):
    session = Session(Client.connect(bench.link_directory, name="dashboard"))
    with (
        contextlib.closing(session),
        Client.connect(bench.link_directory, name="procedure") as procedure,
    ):
        session.take_control()  # K, before the window takes control by itself
        session.give_control()
        session._opened_s -= OPENING_S  # makes the window's own request due in the next turn
        for _ in range(20):
            session.pump()
            time.sleep(0.01)
        procedure.take_control()
        assert not session.client.in_control
        procedure.release_control()


def test_a_second_dashboard_watches_and_may_stop(bench, seat, qtbot):
    # Both windows share one loop here: while the second is built, the first sends no heartbeat.
    second = Seat(bench, qtbot, watch_only=True, name="second")
    seat.hold()
    seat.reset()
    seat.power_on()
    second.until(lambda: second.model.holder is not None)
    assert not second.model.in_control
    assert "holds control" in second.model.why_not_apply
    assert not page_as(second.window, OperatePage).deck.apply_button.isEnabled()
    second.press(Qt.Key.Key_1, Qt.Key.Key_Return, Qt.Key.Key_P)
    seat.qtbot.wait(100)
    assert seat.model.state is State.STANDBY, list(seat.model.notices)
    second.press(Qt.Key.Key_Escape)
    seat.state_is(State.STOPPED)
    second.leave()
    seat.reset()


def test_the_bench_trims_what_is_too_stiff_and_the_deck_says_so(seat):
    seat.reset()
    seat.power_on()
    seat.press(Qt.Key.Key_3)
    stiffness = seat.model.form.entry("stiffness")
    QTest.keyClick(page_as(seat.window, OperatePage).deck.rows[0].slider, Qt.Key.Key_End)
    assert stiffness.value > stiffness.bound
    seat.press(Qt.Key.Key_Return)
    seat.until(lambda: "Virtual stiffness" in seat.model.limited)
    assert "virtual stiffness" in page_as(seat.window, OperatePage).deck.message.text()
    assert seat.model.value("virtual_stiffness_N_m") <= stiffness.bound * 1.001
    seat.press(Qt.Key.Key_P)
    seat.state_is(State.DE_ENERGISED)


def test_a_refusal_is_reported_in_the_deck(bench, seat):
    seat.reset()
    seat.session.ask(PowerOn(load_supported=False))
    message = page_as(seat.window, OperatePage).deck.message
    seat.until(lambda: "support the load" in message.text())
    assert "support the load" in seat.window.strip.word.whole
    answers: list[Answer] = []
    number = seat.session.ask(Apply(behaviour=Float()), then=answers.append)
    assert answers == []  # the call does not block
    seat.until(lambda: "power is off" in seat.model.refusal)
    assert [answer.number for answer in answers] == [number]
    other = Client.connect(bench.link_directory, name="script")
    with other, pytest.raises(Refused, match="dashboard"):
        other.take_control()


def test_marks_and_a_recorded_run_come_back_on_the_runs_page(seat):
    seat.reset()
    model = seat.model
    seat.press(Qt.Key.Key_R)
    seat.until(lambda: model.recording_since is not None)
    seat.press(Qt.Key.Key_M)
    QTest.keyClicks(seat.window.focusWidget(), "5 kg taken off, 123")
    seat.press(Qt.Key.Key_Return)
    seat.until(lambda: any(mark.text == "5 kg taken off, 123" for mark in model.marks))
    seat.qtbot.wait(400)
    name = model.recording
    seat.press(Qt.Key.Key_R)
    seat.until(lambda: model.recording_since is None)
    seat.press(Qt.Key.Key_F5)
    runs = page_as(seat.window, RunsPage).runs
    seat.until(lambda: any(run.path.name == name for run in runs.runs))
    row = next(i for i, run in enumerate(runs.runs) if run.path.name == name)
    page_as(seat.window, RunsPage).table.choose(row)
    seat.press(Qt.Key.Key_Return)
    seat.until(lambda: runs.opened is not None and runs.opened.name.startswith(name))
    run = runs.opened.runs[0]
    assert len(run.column("cycle")) > 300
    assert "5 kg taken off, 123" in [event.get("text") for event in run.events]
    seat.press(Qt.Key.Key_F2)


def test_weights_and_a_hand_act_as_long_as_they_are_there(seat):
    seat.reset()
    panel = page_as(seat.window, OperatePage).environment
    QTest.mouseClick(panel.weights.button(2), Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.model.hung_kg == 5.0)
    QTest.mousePress(panel.hand, Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.model.hand_N == 20.0)
    QTest.mouseRelease(panel.hand, Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.model.hand_N == 0.0)
    QTest.mouseClick(panel.weights.button(0), Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.model.hung_kg == 0.0)


@pytest.mark.pages()
def test_the_window_is_laid_anew_without_power_alone(seat):
    """A change of theme or size takes about as long as the heartbeat limit."""
    seat.power_on()
    window = seat.window
    window.activateWindow()
    seat.qtbot.waitUntil(window.isActiveWindow)
    before, pages = window.theme.name, list(window.pages)
    seat.press(Qt.Key.Key_F9)
    assert window.theme.name == before
    assert "power off first" in seat.model.notices[-1][1]
    small = window.size()
    window.resize(2600, 1500)
    seat.qtbot.wait(600)
    assert window.pages == pages
    assert seat.model.state is State.STANDBY, list(seat.model.notices)
    seat.press(Qt.Key.Key_P)
    seat.state_is(State.DE_ENERGISED)
    seat.until(lambda: window.pages != pages)
    window.resize(small)
    for theme in ("dark", "light"):
        seat.press(Qt.Key.Key_F9)
        assert window.theme.name == theme


def test_a_window_that_hangs_stops_the_rig(bench, seat):
    seat.reset()
    seat.power_on()
    with Client.connect(bench.link_directory, name="witness") as witness:
        witness.poll()
        time.sleep(0.5)  # the main loop is blocked, so no heartbeat is sent
        stops = [i for i in witness.poll() if isinstance(i, Event) and i.kind == "stop"]
    assert [stop["cause"] for stop in stops] == ["Heartbeat late"]
    seat.state_is(State.STOPPED)
    seat.until(lambda: not seat.model.in_control)
    assert seat.window.strip.control.isVisible()
    seat.press(Qt.Key.Key_K)
    seat.until(lambda: seat.model.in_control)
    seat.reset()


def test_open_house_from_key_to_key_on_the_live_rig(seat):
    window, house, key = seat.window, seat.window.open_house, Qt.Key
    seat.reset()
    presets = window.view_of("Operate").presets
    presets.kept = {6: Preset("soft", VirtualSpring(rest_m=0.02, stiffness_N_m=2e4))}
    seat.press(key.Key_F11)
    QTest.keyClicks(window.focusWidget(), "sesame")
    seat.press(key.Key_Return)
    assert house.phase == "armed"
    seat.power_on()
    seat.until(lambda: house.locked)
    assert window.isFullScreen() and not window.header.isVisible()
    limits = seat.model.profile.limits
    assert limits.force.limited == 0.25 * seat.model.own_profile.limits.force.limited
    QTest.mouseClick(window.visitors.buttons[6], Qt.MouseButton.LeftButton)
    seat.until(lambda: seat.model.active_behaviour == BehaviourCode.VIRTUAL_SPRING)
    seat.until(lambda: window.visitors.buttons[6].isChecked())
    seat.press(key.Key_P, key.Key_F5, key.Key_K)
    assert seat.model.state is State.RUNNING and house.locked
    seat.press(key.Key_Escape)
    seat.state_is(State.STOPPED)
    seat.press(key.Key_T)
    seat.qtbot.wait(200)
    assert seat.model.state is State.STOPPED  # only an attendant may reset
    QTest.keyClicks(window.visitors, "sesame")
    seat.until(lambda: not house.locked)
    seat.reset()
    seat.press(key.Key_L)
    panel = page_as(window, OperatePage).cap
    for entry in panel.entries.values():
        entry.clear()
    seat.press(key.Key_Return, key.Key_Y)
    seat.until(lambda: seat.model.profile.limits == seat.model.own_profile.limits)


def test_the_last_change_of_the_tare_is_put_back(seat):
    seat.reset()
    before = seat.model.tare_N
    assert before == 0.0
    seat.press(Qt.Key.Key_Z)
    seat.until(lambda: seat.model.tare_N != 0.0)
    QTest.keyClick(seat.window.focusWidget(), Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    seat.until(lambda: seat.model.tare_N == 0.0)
