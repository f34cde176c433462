"""Open house: only presets and the stop, a cap, an automatic rest, and the letters that unlock."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QCloseEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QPushButton

from drivers.base import PowerRequest
from hil.bench import LockstepBench
from hil.control import passive_bounds
from hil.core import (
    INDEX,
    Apply,
    Float,
    HoldPosition,
    PowerOff,
    PowerOn,
    Request,
    SessionCap,
    State,
    VirtualSpring,
    Waveform,
)
from hil.link import Answer
from hil.profile import load_profile, profile_to_dict
from tests.ui.lockstep_session import LockstepSession
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel
from ui.dashboard.operate import OperatePage, open_house
from ui.dashboard.operate.presets import Preset
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

PROFILE = load_profile("footplate_trainer")
SOFT = VirtualSpring(rest_m=0.03, stiffness_N_m=1.5e4, damping_N_s_m=400.0)
Key = Qt.Key


class Rig:
    """Window and lockstep bench, which answers the window's requests itself."""

    def __init__(self, tmp_path: Path) -> None:
        self.bench = LockstepBench(PROFILE, 1)
        self.model = OperateModel({"profile": profile_to_dict(PROFILE), "simulated": True}, 60.0)
        self.model.in_control = True
        self.window = Window(self.model, None, runs_directory=tmp_path / "runs")
        view = self.window.view_of("Operate")
        self.house = view.open_house
        self.session = LockstepSession(self.bench, self.model)
        self.asked = self.session.asked
        self.house._session = view.cap._session = self.session
        view.presets.kept = {6: Preset("soft spring", SOFT), 8: Preset("hold", hold(0.02))}
        self.offset_s = 0.0
        self.window.resize(1280, 720)
        self.window.show()
        self.turn(0.3)

    def turn(self, seconds: float = 0.1, later_s: float = 0.0) -> None:
        """Run the rig; ``later_s`` passes for the window alone."""
        items = self.session.run(seconds)
        self.offset_s += later_s
        now_s = self.bench.time_s + self.offset_s
        self.model.feed(items, now_s)
        self.house.feed(items, now_s)
        self.window._follow_lock()
        self.window.refresh()

    def key(self, key: Qt.Key) -> None:
        QTest.keyClick(self.window.focusWidget() or self.window, key)

    def power_on(self) -> None:
        assert self.bench.request(PowerOn(load_supported=True)).accepted
        self.turn(0.4)
        self.turn()

    def opened(self, attract: bool = False) -> None:
        assert self.house.arm("sesame", attract), self.house.text
        self.power_on()
        assert self.house.locked, self.house.text

    def behaviours(self) -> list[Any]:
        return [request.behaviour for request in self.asked if isinstance(request, Apply)]


def hold(position_m: float) -> HoldPosition:
    return HoldPosition(position_m=position_m, speed_m_s=0.02)


@pytest.fixture
def rig(tmp_path: Path, qapp: Any) -> Any:
    rig = Rig(tmp_path)
    yield rig
    rig.window.close()


def test_armed_from_the_dashboard_it_locks_when_power_is_on_under_a_cap(rig: Rig) -> None:
    rig.key(Key.Key_F11)
    panel = page_as(rig.window, OperatePage).open_house
    assert panel is not None
    assert panel.isVisible() and rig.window.focusWidget() is panel.letters
    QTest.keyClicks(panel.letters, "abc")
    rig.key(Key.Key_Return)
    assert rig.house.phase == "off" and "4 to 12 letters" in panel.text.text()
    QTest.keyClicks(panel.letters, "racadabra")
    QTest.mouseClick(panel.begin_button, Qt.MouseButton.LeftButton)
    assert rig.house.phase == "armed" and not panel.letters.text()
    rig.turn()
    assert not rig.house.locked
    rig.power_on()
    assert rig.house.locked and rig.window.isFullScreen()
    limits = rig.bench.bench.profile.limits
    assert limits.force.limited == 0.25 * PROFILE.limits.force.limited
    assert limits.speed.limited == 0.25 * PROFILE.limits.speed.limited
    assert not rig.behaviours() and rig.model.state is State.STANDBY  # nothing moves yet


def test_no_preset_no_open_house(rig: Rig) -> None:
    rig.house._presets.kept.clear()
    assert not rig.house.arm("sesame") and "Ins" in rig.house.text


@pytest.mark.pages()
def test_visitors_reach_presets_and_the_stop_and_nothing_else(rig: Rig) -> None:
    rig.opened()
    window = rig.window
    shown = {b for b in window.findChildren(QPushButton) if b.isVisibleTo(window)}
    choices = window.visitors.buttons
    assert shown == {choices[6], choices[8], window.strip.stop_button}
    before = list(rig.asked)
    everything = [Key(code) for code in range(Key.Key_Space, Key.Key_AsciiTilde) if code != 0x36]
    everything += [Key(code) for code in range(Key.Key_F1, Key.Key_F12 + 1)]
    everything += [
        Key.Key_Insert,
        Key.Key_Delete,
        Key.Key_Backspace,
        Key.Key_Return,
        Key.Key_PageUp,
    ]
    everything.remove(Key.Key_8)
    for modifier in (Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ControlModifier):
        for key in everything:
            window.visitors.setFocus()
            QTest.keyClick(window, key, modifier)
    assert rig.asked == before and rig.house.locked
    assert window.help is None and window.stack.currentWidget() is window.visitors
    assert window.theme.name == "light" and not window.header.isVisible()
    window.strip.power_pressed()
    assert rig.asked == before


def test_a_choice_by_mouse_and_by_key_and_the_stop_by_both(rig: Rig) -> None:
    rig.opened()
    rig.window.session = rig.session
    QTest.mouseClick(rig.window.visitors.buttons[6], Qt.MouseButton.LeftButton)
    assert rig.behaviours() == [SOFT]
    rig.turn(0.5)
    assert rig.model.state is State.RUNNING and rig.house.doing == "soft spring"
    assert rig.window.visitors.buttons[6].isChecked()
    rig.key(Key.Key_8)
    assert rig.behaviours()[-1] == hold(0.02)
    assert all(not request.load_may_move for request in rig.asked if isinstance(request, Apply))
    rig.turn(0.5)
    assert rig.bench.bench.profile.limits.speed.limited == 0.25 * PROFILE.limits.speed.limited
    QTest.mousePress(rig.window.strip.stop_button, Qt.MouseButton.LeftButton)
    rig.turn()
    assert rig.session.stops == 1 and rig.model.state is State.STOPPED
    assert "Stopped. Ask the attendant" in rig.window.visitors.doing.text()
    count = len(rig.asked)
    rig.key(Key.Key_6)
    QTest.mouseClick(rig.window.visitors.buttons[8], Qt.MouseButton.LeftButton)
    assert len(rig.asked) == count and rig.house.locked  # not available to a visitor
    rig.key(Key.Key_Escape)
    assert rig.session.stops == 2
    rig.window.session = None


def test_a_window_that_is_closed_by_a_visitor_stays(rig: Rig) -> None:
    rig.opened()

    class ByTheSystem(QCloseEvent):
        def spontaneous(self) -> bool:
            return True

    event = ByTheSystem()
    rig.window.closeEvent(event)
    assert not event.isAccepted() and rig.window.isVisible()
    rig.window.close()  # as a signal in the terminal does
    assert not rig.window.isVisible()


def test_the_letters_unlock_and_others_do_not(rig: Rig) -> None:
    rig.opened()
    for letter in "sesamopen":
        rig.key(getattr(Key, f"Key_{letter.upper()}"))
    assert rig.house.locked
    rig.window.visitors.setFocus()
    QTest.keyClicks(rig.window, "seSAme")
    assert not rig.house.locked and rig.house.phase == "off"
    assert rig.window.header.isVisible() and rig.window.strip.acts.isVisible()
    assert rig.window.stack.currentWidget() is page_as(rig.window, OperatePage)
    assert rig.bench.bench.cap.force_N  # the cap remains
    rig.key(Key.Key_1)
    assert rig.model.chosen == 1


def test_letters_far_apart_do_not_unlock(rig: Rig) -> None:
    rig.opened()
    for at_s, letter in enumerate("sesame"):
        assert not rig.house.type(letter, 100.0 + 4.0 * at_s)
    for at_s, letter in enumerate("sesame"):
        ended = rig.house.type(letter, 200.0 + 0.5 * at_s)
    assert ended


def test_another_size_of_the_window_stays_locked(rig: Rig) -> None:
    rig.opened()
    rig.window.build()
    assert rig.window.header.isHidden() and rig.window.strip.acts.isHidden()
    assert rig.window.stack.currentWidget() is rig.window.visitors


def test_without_a_choice_the_rig_comes_to_rest_by_itself(rig: Rig) -> None:
    rig.opened()
    rig.house.choose(8)
    rig.turn(1.0)
    rig.turn(0.1, later_s=45.0)
    assert len(rig.behaviours()) == 1
    assert "comes to rest in" in rig.window.visitors.doing.text()
    rig.turn(0.1, later_s=20.0)
    first, *then = rig.behaviours()[1:]
    assert isinstance(first, Float)
    if rig.bench.bench.applied != first:  # the lever would have dropped, so it is held instead
        assert [type(b) for b in then] == [HoldPosition]
    assert rig.house.doing == "at rest" and rig.model.state is State.RUNNING
    count = len(rig.asked)
    rig.turn(0.1, later_s=600.0)
    assert len(rig.asked) == count  # the attract loop is not enabled


def test_where_even_holding_is_refused_power_goes(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.opened()
    rig.house.choose(8)
    rig.turn(1.0)
    ask = rig.session.ask

    def refusing(request: Request, then: Callable[[Answer], None] | None = None) -> int:
        if not isinstance(request, Apply):
            return ask(request, then)
        rig.asked.append(request)
        assert then is not None
        then(Answer(1, False, "no"))
        return 1

    monkeypatch.setattr(rig.session, "ask", refusing)
    rig.turn(0.1, later_s=65.0)
    assert isinstance(rig.asked[-1], PowerOff)
    rig.turn(0.1)
    assert rig.bench.bench.command.power is PowerRequest.OFF
    assert "Power is off" in rig.window.visitors.doing.text()


def test_the_attract_loop_swings_within_half_of_the_cap_until_a_hand_comes(rig: Rig) -> None:
    rig.opened(attract=True)
    rig.house.choose(8)
    rig.turn(1.5)
    rig.turn(0.1, later_s=61.0)
    rig.turn(0.5)
    assert rig.house.doing == "at rest"
    rig.turn(0.1, later_s=31.0)
    wave = rig.behaviours()[-1]
    assert isinstance(wave, Waveform) and wave.of == "rest"
    cap = rig.bench.bench.profile.limits
    bias = abs(rig.model.figure("spring_force_N"))
    assert bias + 2 * wave.stiffness_N_m * wave.amplitude <= 0.5 * cap.force.limited + 1e-6
    assert 2 * np.pi * wave.frequency_Hz * wave.amplitude <= 0.5 * cap.speed.limited + 1e-9
    assert wave.stiffness_N_m <= passive_bounds(PROFILE)[0]
    rows = np.array(rig.bench.run(3.0))
    assert rig.bench.bench.state is State.RUNNING, rig.bench.bench.cause_text
    assert np.max(np.abs(rows[:, INDEX["output_velocity_m_s"]])) < 0.5 * cap.speed.limited
    rig.turn()
    assert rig.house.doing == "come and try"
    rig.bench.environment.push(-12.0)
    for _ in range(10):
        rig.turn(0.2)
    assert rig.bench.bench.state is State.RUNNING, rig.bench.bench.cause_text
    assert not isinstance(rig.bench.bench.applied, Waveform) and rig.house.doing == "at rest"


def test_a_cap_that_is_refused_leaves_it_off(rig: Rig) -> None:
    rig.bench.environment.hang(7.5)
    rig.turn(1.0)
    rig.power_on()
    rig.bench.request(Apply(behaviour=HoldPosition(position_m=0.02, speed_m_s=0.05)))
    rig.turn(1.5)
    assert rig.house.arm("sesame")
    rig.turn()
    assert rig.house.phase == "off" and "the rod carries" in rig.house.text
    assert not rig.window._locked


def test_a_narrower_cap_stays_as_it_is(rig: Rig) -> None:
    rig.bench.request(SessionCap(force_N=60.0))
    rig.turn()
    rig.opened()
    assert rig.bench.bench.profile.limits.force.limited == 60.0


def test_all_times_are_longer_than_a_choice(rig: Rig) -> None:
    assert open_house.IDLE_S > 10.0 and open_house.ATTRACT_AFTER_S > 10.0
