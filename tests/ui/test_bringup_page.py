"""The Bring-up page on a simulated rig that runs as real processes."""

import dataclasses
import functools
import time
from pathlib import Path

import pytest
from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

import ui.dashboard.window as window_module
from drivers.base import PowerStage
from hil.bringup.record_files import YAML, read_record
from hil.bringup.step import Result, Step, Verdict
from hil.bringup.steps import STEPS
from hil.devices import with_simulated_mistakes
from hil.link.client import Client
from hil.procedure import Choose, Hand, HoldToRun, Pause, Read, asked, wait_for_state
from hil.processes import start_bench
from hil.profile.loader import find_profile, load_profile
from hil.requests import Commission, Energise
from hil.samples import INDEX, State
from ui.dashboard.bringup_model import RUNNING, BringUpModel
from ui.dashboard.bringup_page import BringUpPage
from ui.dashboard.session import Session
from ui.dashboard.theme import LIGHT, sizes_for
from ui.dashboard.window import Window

# Real time: one of these at a time.
pytestmark = pytest.mark.xdist_group("real time")

PATIENCE_MS = 12_000
TALK, SUPPLY = STEPS[:2]
STANDS_S = 20.0
HEARD: list[float | str] = []


def _stands(context):
    """Standby under hold-to-run, for as long as it is held."""
    del context
    yield from asked([Commission(force_N=50.0, speed_m_s=0.01, torque_N_m=0.02)])
    held = yield HoldToRun(True, "Hold; nothing moves.")
    if not held.accepted:
        return Result("stands", Verdict.NEEDS_PERSON, "not held")
    yield from asked([Energise(load_supported=True)])
    yield from wait_for_state(State.STANDBY)
    yield Pause(STANDS_S)
    return Result("stands", text="stood")


def _asks(context):
    """Every kind of question, all answered by a person."""
    del context
    yield Hand("support_load", "Support the load.")
    HEARD.append((yield Read("Position of the nut", "nut_position_m")).value)
    HEARD.append((yield Choose("Which?", "nobody knows", ("this", "that"))).text)
    yield Hand("press_stop", "Do the impossible.")
    return Result("asks")


STANDING = Step("stands", "Stands", "It stands.", "Nothing.", "All.", _stands, energises=True)
ASKING = Step("asks", "Asks", "It asks.", "Nothing.", "All.", _asks)


def alone(step):
    return dataclasses.replace(step, needs=())


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A rig whose supply takes nothing back, which one step finds."""
    folder = tmp_path_factory.mktemp("bringup")
    profile = Path(find_profile("footplate_trainer"))
    wrong = with_simulated_mistakes(load_profile(str(profile)), ["regeneration_not_taken"])
    with start_bench(profile, runs_directory=folder / "runs", recorder=False,
                     profile=wrong) as running:  # fmt: skip
        yield running


class Person:
    """Somebody at the page."""

    def __init__(self, bench, qtbot, monkeypatch, steps):
        make = functools.partial(BringUpModel, steps=steps)
        entries = [
            dataclasses.replace(e, view=make) if e.title == "Bring-up" else e
            for e in window_module.PAGES
        ]
        monkeypatch.setattr(window_module, "PAGES", tuple(entries))
        self.qtbot = qtbot
        self.session = Session(Client.connect(bench.link_directory, name="dashboard"))
        self.model = self.session.model
        self.window = Window(self.model, self.session, runs_directory=bench.runs_directory)
        qtbot.addWidget(self.window)
        self.window.resize(1280, 720)
        self.window.show()
        self.window.activateWindow()
        self.until(lambda: self.model.in_control)
        if self.model.state is State.STOPPED:
            self.press(Qt.Key.Key_T)
            self.until(lambda: self.model.state is State.DE_ENERGISED)
        self.press(Qt.Key.Key_F3)
        self.page = self.window.page_of("Bring-up")
        self.bringup = self.page.bringup
        assert self.window.page is self.page

    def until(self, condition):
        def met():  # the window renews itself
            asked = self.window.page_of("Bring-up").ask.text.text()
            assert condition(), (asked, self.model.state_word, list(self.model.notices))

        self.qtbot.waitUntil(met, timeout=PATIENCE_MS)
        self.window.refresh()

    def press(self, *keys):
        for key in keys:
            QTest.keyClick(self.window.focusWidget() or self.window, key)

    def down(self, key, repeat=False, up=False):
        kind = QEvent.Type.KeyRelease if up else QEvent.Type.KeyPress
        event = QKeyEvent(kind, key, Qt.KeyboardModifier.NoModifier, " ", repeat)
        QApplication.sendEvent(self.window.focusWidget(), event)

    def asked(self, kind):
        self.until(lambda: self.bringup.question and self.bringup.question.kind == kind)
        self.page.refresh()

    def ended(self):
        self.until(lambda: not self.bringup.running and self.model.in_control)

    def standing_by_key(self):
        """At Standby, held by Space alone; the way there by keyboard alone."""
        self.press(Qt.Key.Key_G)
        self.asked("hold")
        assert self.window.focusWidget() is self.page.ask.hold
        self.down(Qt.Key.Key_Space)
        self.until(lambda: self.model.state is State.STANDBY)


@pytest.fixture
def person(bench, qtbot, monkeypatch):
    people = []

    def make(*steps, hands=False):
        sitting = Person(bench, qtbot, monkeypatch, steps)
        sitting.bringup.set_alone(hands)
        people.append(sitting)
        return sitting

    yield make
    for sitting in people:
        sitting.window.close()


def test_simulated_hands_go_through_the_steps_and_a_failure_names_its_mend(person):
    someone = person(TALK, SUPPLY, alone(STEPS[5]), hands=True)
    bringup, page = someone.bringup, someone.page
    someone.press(Qt.Key.Key_G)
    someone.until(lambda: bringup.current is TALK)
    assert bringup.state_of(TALK) == RUNNING
    someone.until(lambda: someone.model.holder == "bring-up")
    assert not someone.window.strip.power.isEnabled()
    someone.ended()
    assert bringup.results["talk"].verdict is Verdict.PASS
    assert [f.code for f in bringup.results["supply"].findings] == ["regeneration_not_taken"]
    assert "Mend: fit a battery" in page.ask.text.text()
    assert "Mend:" in page.evidence.toPlainText()
    assert bringup.shown is SUPPLY
    kept = read_record(bringup.folder)
    assert [e["verdict"] for e in kept["steps"]] == ["pass", "fail", "pass"]
    # The step that failed alone, on the same record.
    someone.press(Qt.Key.Key_O)
    someone.until(lambda: bringup.current is SUPPLY)
    someone.ended()
    assert read_record(bringup.folder)["resumed"]
    # Another record, and back: what it says is shown without being run.
    folder = bringup.folder
    bringup.choose_record(None)
    assert not bringup.results
    bringup.choose_record(folder)
    someone.until(lambda: bringup.results)
    assert bringup.results["supply"].findings[0].code == "regeneration_not_taken"


def test_letting_go_stops_and_a_key_that_repeats_does_neither(person):
    someone = person(STANDING)
    someone.standing_by_key()
    for _ in range(5):
        someone.down(Qt.Key.Key_Space, repeat=True, up=True)
        someone.down(Qt.Key.Key_Space, repeat=True)
        QTest.qWait(40)
    assert someone.model.state is State.STANDBY
    assert someone.bringup.holding
    someone.down(Qt.Key.Key_Space, up=True)
    assert not someone.bringup.holding
    someone.until(lambda: "Enabling" in someone.model.last_stop)
    someone.ended()
    assert someone.bringup.results["stands"].verdict is Verdict.FAIL


@pytest.mark.parametrize("how", ["focus", "deactivated", "page", "mouse", "hangs", "esc", "theme"])
def test_whatever_takes_the_hand_away_stops_the_rig(person, how):
    someone = person(STANDING)
    hold = someone.page.ask.hold
    if how == "mouse":
        someone.press(Qt.Key.Key_G)
        someone.asked("hold")
        QTest.mousePress(hold, Qt.MouseButton.LeftButton)
        someone.until(lambda: someone.model.state is State.STANDBY)
        QTest.mouseRelease(hold, Qt.MouseButton.LeftButton)
    else:
        someone.standing_by_key()
    if how == "focus":
        someone.page.steps.setFocus()
    elif how == "deactivated":
        QApplication.sendEvent(someone.window, QEvent(QEvent.Type.WindowDeactivate))
    elif how == "page":
        someone.press(Qt.Key.Key_F1)
    elif how == "hangs":
        time.sleep(0.6)
    elif how == "esc":
        someone.press(Qt.Key.Key_Escape)
    elif how == "theme":
        someone.press(Qt.Key.Key_F9)
    someone.until(lambda: bool(someone.model.last_stop))
    assert ("Operator" if how == "esc" else "Enabling") in someone.model.last_stop
    someone.ended()
    assert someone.model.value("power_stage") == PowerStage.OFF
    if how == "esc":  # a person's stop is no finding, and stays until it is reset
        assert someone.model.state is State.STOPPED
        assert someone.bringup.state_of(STANDING) == Verdict.NOT_RUN


def test_every_question_is_answered_by_keyboard_alone(person):
    someone = person(ASKING)
    someone.press(Qt.Key.Key_G)
    someone.asked("act")
    someone.press(Qt.Key.Key_Return)
    someone.asked("read")
    entry = someone.window.focusWidget()
    assert entry is someone.page.ask.entry
    entry.selectAll()
    QTest.keyClicks(entry, "nonsense")
    someone.press(Qt.Key.Key_Return)
    assert someone.page.ask.wrong.isVisible()
    assert someone.bringup.question.kind == "read"
    entry.selectAll()
    QTest.keyClicks(entry, "1,25 cm")
    someone.press(Qt.Key.Key_Return)
    someone.asked("choose")
    someone.press(Qt.Key.Key_2)
    someone.asked("act")
    someone.press(Qt.Key.Key_X)
    someone.ended()
    assert "Do the impossible" in someone.page.ask.text.text()
    assert someone.bringup.state_of(ASKING) == Verdict.NEEDS_PERSON
    assert HEARD == [0.0125, "that"]


def test_a_window_that_closes_leaves_the_rig_safe_and_the_record_whole(bench, person):
    someone = person(STANDING)
    someone.standing_by_key()
    folder = someone.bringup.folder
    someone.window.close()
    with Client.connect(bench.link_directory, name="witness") as witness:
        rows = [item.rows for item in witness.watch(0.2) if hasattr(item, "rows")]
        assert rows[-1][-1, INDEX["power_stage"]] == PowerStage.OFF
    assert (folder / YAML).exists()
    assert "begun" in read_record(folder)["steps"][0]["text"]


def test_nothing_is_begun_while_somebody_else_holds_control(bench, person):
    someone = person(TALK)
    someone.session.client.post_release()
    with Client.connect(bench.link_directory, name="script") as script:
        QTest.qWait(100)
        script.take_control()
        with script.keep_control():
            someone.until(lambda: someone.model.holder == "script")
            someone.press(Qt.Key.Key_G)
            assert not someone.bringup.running
            someone.page.refresh()
            assert "script holds control" in someone.page.ask.text.text()
        script.release_control()


def test_a_still_page_has_nothing_to_begin(qapp, model):
    from ui.dashboard.pages import Place

    view = BringUpModel(model, None, None)
    page = BringUpPage(
        Place(model, None, view, LIGHT, sizes_for(1280, 720), None, lambda title: None)
    )
    assert page.steps.count() == len(STEPS)
    assert not page.begin.isEnabled()
    page.begin_now()
    assert not view.running
