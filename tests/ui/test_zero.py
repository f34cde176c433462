"""The zero of positions on the Operate page: stated, sought while held, and released."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.bench import LockstepBench
from hil.core import PowerOn, Reset, State
from hil.profile import load_profile, profile_to_dict
from tests.ui.lockstep_session import LockstepSession
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel, health
from ui.dashboard.measure import MeasureModel
from ui.dashboard.operate import OperatePage, ZeroModel, ZeroPanel
from ui.dashboard.widgets import THEMES, sizes_for
from ui.dashboard.window import Window

SLIDE = load_profile("bench_slide")
START_M = 0.0065  # beside the home switch
STEP_S = 0.02


class Rig:
    """Model, bench and zero model, cycled as the window's loop does."""

    def __init__(self, start_m=START_M):
        actual = SLIDE.simulation.actual | {"initial_output_m": start_m}
        simulation = SLIDE.simulation.model_copy(update={"actual": actual})
        profile = SLIDE.model_copy(update={"simulation": simulation})
        self.bench = LockstepBench(profile, 1)
        self.bench.environment.support_load(True)
        self.model = OperateModel(
            {
                "profile": profile_to_dict(profile),
                "simulated": True,
                "reference": self.bench.bench.reference,
            }
        )
        self.model.in_control = True
        self.session = LockstepSession(self.bench, self.model)
        self.zero = ZeroModel(self.model, self.session)
        self.turn(0.5)

    def turn(self, seconds):
        for _ in range(round(seconds / STEP_S)):
            items = self.session.run(STEP_S)
            now_s = self.bench.time_s
            self.model.feed(items, now_s)
            self.zero.feed(items, now_s)

    def until_done(self, most_s=20.0):
        while self.zero.running and most_s > 0.0:
            self.turn(0.2)
            most_s -= 0.2
        assert not self.zero.running, self.zero._step


def test_a_seek_runs_while_the_control_is_held_and_verifies_zero():
    rig = Rig()
    zero = rig.zero
    assert not zero.verified and "reference not verified" in zero.how
    assert "REFERENCE NOT VERIFIED" in [word.text for word in health(rig.model)]
    zero.choice = "switch"
    zero.press()
    rig.turn(0.3)
    assert zero.moving and rig.model.state is State.RUNNING
    rig.until_done()
    assert "home switch found, 3 touches" in zero.text and not zero.wrong
    assert zero.verified and "home switch was sought and found" in zero.how
    assert rig.bench.bench.envelope is None and rig.bench.bench.state is State.DE_ENERGISED


def test_after_a_lost_reference_a_measurement_waits_for_a_stated_place(tmp_path):
    rig = Rig(0.0)
    measuring = MeasureModel(rig.model, rig.session, tmp_path)
    rig.bench.environment.disturb("encoder_reversed", 1.0)
    rig.bench.environment.turn_screw(0.5)
    rig.turn(1.5)
    rig.bench.environment.disturb("encoder_reversed", None)
    rig.bench.environment.turn_screw(-1.0)
    rig.turn(3.0)
    assert "REFERENCE LOST" in [word.text for word in health(rig.model)]
    assert "the reference is lost" in measuring.why_not_begin
    assert "drift" not in measuring.picked and "shock" in measuring.picked  # only on request
    # Power would be refused, so a seek is not offered.
    assert "State where the output is" in rig.zero.how and "To seek" not in rig.zero.how
    rig.zero.state(mark=False)
    rig.turn(0.2)
    assert rig.zero.verified and measuring.why_not_begin == ""


def test_letting_go_stops_it_and_a_reset_lets_it_begin_anew():
    rig = Rig()
    zero = rig.zero
    zero.choice = "switch"
    zero.press()
    rig.turn(0.3)
    zero.let_go()
    rig.turn(0.1)
    assert rig.model.state is State.STOPPED and zero.wrong and "reset (T)" in zero.text
    assert not zero.verified
    rig.turn(0.5)
    assert rig.bench.request(Reset()).accepted
    rig.turn(0.3)
    assert not zero.running and rig.bench.bench.envelope is None


def test_a_loop_that_no_longer_turns_has_let_go():
    rig = Rig()
    rig.zero.press()
    rig.turn(0.3)
    rig.bench.run(0.5)  # the window's loop stands still
    assert rig.bench.bench.state is State.STOPPED
    assert "Hold-to-run" in next(e["cause"] for e in rig.bench.events if e["kind"] == "stop")


def test_the_mark_is_stated_without_motion_and_a_refusal_is_reported():
    rig = Rig()
    rig.zero.state(mark=True)
    rig.turn(0.1)
    assert rig.zero.text == "the output is at 45.0 mm" and rig.zero.verified
    assert not [r for r in rig.session.asked if isinstance(r, PowerOn)]
    rig.bench.bench.estimator.output_velocity_m_s = 0.05
    rig.zero.state(mark=False)
    assert rig.zero.wrong and "still moves" in rig.zero.text


def test_the_panel_shows_itself_while_zero_is_not_verified_and_is_held_by_key(qapp):
    rig = Rig()
    panel = ZeroPanel(rig.zero, THEMES["light"], sizes_for(1440, 900))
    panel.resize(1200, 200)
    panel.show()
    panel.refresh()
    assert panel.isVisible() and panel.mark is not None and panel.hold.isEnabled()
    QTest.keyPress(panel.hold, Qt.Key.Key_Space)
    rig.turn(0.3)
    panel.refresh()
    assert rig.zero.moving and panel.hold.text() == "Held"
    assert not panel.lower_end.isEnabled()
    QTest.keyRelease(panel.hold, Qt.Key.Key_Space)
    rig.turn(0.1)
    assert rig.bench.bench.state is State.STOPPED
    panel.close()


@pytest.mark.pages("Operate")
@pytest.mark.parametrize(("reference", "seen"), [("unverified", True), ("found", False)])
def test_the_operate_page_has_it_by_key(qapp, description, reference, seen):
    model = OperateModel(description | {"reference": reference}, history_s=60.0)
    window = Window(model)
    window.resize(1440, 900)
    window.show()
    zero = page_as(window, OperatePage).zero
    zero.refresh()
    assert zero.isVisible() is seen
    QTest.keyClick(window, Qt.Key.Key_O)
    assert zero.isVisible()
    window.close()
