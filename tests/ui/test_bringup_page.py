"""The Bring-up page on a simulated rig, with real processes."""

import contextlib
import dataclasses
import functools
import time

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from drivers.base import PowerStage
from drivers.simulated.simulation_control import EnvironmentClient
from hil.bringup.record_files import YAML, read_record
from hil.bringup.step import Result, Step, Verdict
from hil.bringup.steps import STEPS
from hil.core.requests import Apply, Commission, MotorSpeed, PowerOn
from hil.core.samples import INDEX, State
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client
from hil.procedures.procedure import (
    Choose,
    Hand,
    Pause,
    Read,
    RequireHoldToRun,
    send_requests,
    wait_for_state,
)
from hil.profile.devices import with_simulated_faults
from hil.profile.loader import load_profile
from tests.ui.half_rate import trainer_at_half_rate
from tests.ui.person_at_window import PersonAtWindow, page_as, view_of_page
from ui.dashboard.bench.session import Session
from ui.dashboard.bringup import BringUpPage
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.guided import RUNNING

pytestmark = pytest.mark.real_time

PATIENCE_MS = 12_000
PROFILE = "footplate_trainer.yaml"
STANDS_S = 20.0
HEARD: list[float | str] = []


def _stands(context):
    """Reach Standby under hold-to-run and stay there while the control is held."""
    del context
    yield from send_requests([Commission(force_N=50.0, speed_m_s=0.01, torque_N_m=0.02)])
    held = yield RequireHoldToRun(True, "Hold; nothing moves.")
    if not held.accepted:
        return Result("stands", Verdict.NEEDS_PERSON, "not held")
    yield from send_requests([PowerOn(load_supported=True)])
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


def _measures(context):
    """Propose a value for the profile."""
    del context
    yield Pause(0.05)
    return Result(
        "measures", text="measured", changes={"actuator.friction.breakaway": "0.0404 N*m"}
    )


def _moves(context):
    """Move the nut slowly outward while the control is held."""
    del context
    yield Hand("support_load", "Support the load.")
    yield from send_requests([Commission(force_N=58.0, speed_m_s=0.02, torque_N_m=0.1)])
    yield RequireHoldToRun(True, "Hold; the nut moves.")
    yield from send_requests([PowerOn(load_supported=True)])
    yield from wait_for_state(State.STANDBY)
    run = MotorSpeed(speed_m_s=0.008, torque_N_m=0.09, duration_s=9.0, travel_m=0.05, force_N=52.0)
    yield from send_requests([Apply(behaviour=run)])
    yield Pause(STANDS_S)
    return Result("moves", text="moved")


MOVING = Step("moves", "Moves", "It moves.", "Nothing.", "All.", _moves, energises=True)
MEASURING = Step("measures", "Measures", "It measures.", "Nothing.", "All.", _measures)
STANDING = Step("stands", "Stands", "It stands.", "Nothing.", "All.", _stands, energises=True)
ASKING = Step("asks", "Asks", "It asks.", "Nothing.", "All.", _asks)


def alone(step):
    return dataclasses.replace(step, needs=())


SUPPLY, LIMITS = alone(STEPS[1]), alone(STEPS[5])


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Start a rig whose supply takes no energy back, which one step finds."""
    with started(tmp_path_factory.mktemp("bringup")) as running:
        yield running


@contextlib.contextmanager
def started(folder):
    file = trainer_at_half_rate(folder)
    wrong = with_simulated_faults(load_profile(file), ["regeneration_not_taken"])
    with start_bench(
        file, BenchOptions(runs_directory=folder / "runs", recorder=False, profile=wrong)
    ) as running:
        yield running


class Person(PersonAtWindow):
    """A person at the Bring-up page."""

    PATIENCE_MS = PATIENCE_MS

    def __init__(self, bench, qtbot, monkeypatch, steps):
        make = functools.partial(BringUpModel, steps=steps)
        view_of_page(monkeypatch, "Bring-up", make, only=("Operate", "Bring-up"))
        self.profile_file = bench.runs_directory.parent / "mine" / PROFILE
        client = Client.connect(bench.link_directory, name="dashboard")
        super().__init__(
            qtbot, Session(client, profile_file=self.profile_file), bench.runs_directory
        )
        self.window.activateWindow()
        self.in_control()
        if self.model.state is State.STOPPED:
            self.press(Qt.Key.Key_T)
            self.until(lambda: self.model.state is State.DE_ENERGISED)
        self.press(Qt.Key.Key_F3)
        self.page = page_as(self.window, BringUpPage)
        self.bringup = self.page.bringup
        assert self.window.page is self.page

    @property
    def asked(self):
        return page_as(self.window, BringUpPage).ask.text.text()

    def is_asked(self, kind):
        self.until(lambda: self.bringup.question and self.bringup.question.kind == kind)
        self.page.refresh()

    def in_control(self):
        """Take control, again if a busy computer loses it."""
        taken_s = time.monotonic()

        def held():
            nonlocal taken_s
            if self.model.holder is None and time.monotonic() - taken_s > 0.5:
                taken_s = time.monotonic()
                self.session.take_control()
            assert self.model.in_control, list(self.model.notices)

        self.qtbot.waitUntil(held, timeout=PATIENCE_MS)
        self.window.refresh()

    def ended(self):
        self.until(lambda: not self.bringup.running)
        self.in_control()

    def standing(self, hold, reached=lambda self: self.model.state is State.STANDBY):
        """Start a step that ``hold`` keeps running; start again if a busy computer let go meanwhile."""
        for _ in range(8):
            self.press(Qt.Key.Key_G)
            self.until(lambda: self.bringup.running)
            while True:
                self.until(lambda: self.bringup.question or not self.bringup.running)
                question = self.bringup.question  # the procedure's thread may withdraw it
                if not self.bringup.running or (question and question.kind != "act"):
                    break
                if not question:
                    continue
                self.page.refresh()
                self.press(Qt.Key.Key_Return)
            if self.bringup.running:
                self.page.refresh()
                hold()
                self.until(lambda: reached(self) or not self.bringup.running)
            if self.bringup.running:
                self.model.last_stop = ""  # drop the stop of an earlier try
                return
            self.page.let_go()  # a new hold needs a release first
            self.in_control()
        raise AssertionError(self.bringup.message)

    def standing_by_key(self, *reached):
        """Reach Standby by keyboard alone and hold it with Space."""

        def hold():
            assert self.window.focusWidget() is self.page.ask.hold
            self.down(Qt.Key.Key_Space)

        self.standing(hold, *reached)


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


def test_simulated_hands_go_through_the_steps_and_a_failure_names_its_fix(person):
    someone = person(LIMITS, SUPPLY, hands=True)
    bringup, page = someone.bringup, someone.page
    someone.press(Qt.Key.Key_G)
    someone.until(lambda: bringup.current is SUPPLY)
    assert bringup.state_of(SUPPLY) == RUNNING
    someone.page.refresh()
    # The step's description must not appear in the large text of orders.
    assert SUPPLY.happens not in page.ask.text.text()
    someone.until(lambda: someone.model.holder == "bring-up")
    assert not someone.window.strip.power.isEnabled()
    someone.ended()
    assert bringup.results["drive_limits"].verdict is Verdict.PASS
    assert [f.code for f in bringup.results["supply"].findings] == ["regeneration_not_taken"]
    assert "Fix: fit a battery" in page.ask.text.text()
    assert "Fix:" in page.evidence.toPlainText()
    assert bringup.shown is SUPPLY
    assert someone.window.focusWidget() is page.steps
    kept = read_record(bringup.folder)
    assert [e["verdict"] for e in kept["steps"]] == ["pass", "fail"]
    drawn = bringup.results["supply"].plots[0].traces[0].y
    # A single step, on the same record.
    someone.press(Qt.Key.Key_Home, Qt.Key.Key_I)
    someone.until(lambda: bringup.running)
    someone.ended()
    assert read_record(bringup.folder)["resumed"]
    assert [e["verdict"] for e in read_record(bringup.folder)["steps"]] == ["pass", "fail"]
    # Another record and back: its results are shown without a new run.
    folder = bringup.folder
    bringup.choose(None)
    assert not bringup.results
    bringup.choose(folder)
    someone.until(lambda: bringup.results)
    assert bringup.results["supply"].findings[0].code == "regeneration_not_taken"
    page.refresh()
    assert page.plot.isVisibleTo(page)
    (line,) = [item for item in page.plot.getPlotItem().listDataItems() if item.name() == "supply"]
    assert len(line.yData) == len(drawn)


def test_values_are_written_into_the_profile_once_confirmed_by_key(person):
    someone = person(MEASURING)
    bringup, page, file = someone.bringup, someone.page, someone.profile_file
    part = file.parent / "actuators" / "footplate.yaml"
    before = part.read_text()
    someone.press(Qt.Key.Key_G)
    someone.until(lambda: bringup.running)
    someone.ended()
    assert page.write.isVisibleTo(page)
    someone.press(Qt.Key.Key_U)
    assert "breakaway: 0.0404 N*m" in page.ask.text.text()
    someone.press(Qt.Key.Key_X)  # not now
    assert bringup.question is None and part.read_text() == before
    someone.press(Qt.Key.Key_U, Qt.Key.Key_Return)
    assert bringup.why_not_begin
    assert someone.window.focusWidget() is page.steps
    someone.until(lambda: bringup.values.written)
    someone.until(lambda: not bringup.proposed)
    after = part.read_text()
    changed = [
        (a, b) for a, b in zip(before.splitlines(), after.splitlines(), strict=True) if a != b
    ]
    ((was, now),) = changed
    assert "0.0404 N*m" in now and was.partition("#")[2] == now.partition("#")[2]
    assert load_profile(file).actuator.friction.breakaway == pytest.approx(0.0404)
    kept = read_record(bringup.folder)
    assert kept["applied_changes"] == {"actuator.friction.breakaway": "0.0404 N*m"}
    # The bench still runs with the old values, so it must not verify with them.
    page.refresh()
    assert "start it again" in page.ask.text.text() and not page.begin.isEnabled()
    assert not page.write.isVisibleTo(page)


def test_letting_go_stops_and_a_key_that_repeats_does_neither(person):
    someone = person(STANDING)
    someone.standing_by_key()
    for _ in range(5):
        someone.down(Qt.Key.Key_Space, repeat=True, up=True)
        someone.down(Qt.Key.Key_Space, repeat=True)
        someone.qtbot.wait(40)
    assert someone.model.state is State.STANDBY
    assert someone.bringup.holding
    someone.down(Qt.Key.Key_Space, up=True)
    assert not someone.bringup.holding
    someone.until(lambda: "Hold-to-run" in someone.model.last_stop)
    someone.ended()
    assert someone.bringup.results["stands"].verdict is Verdict.FAIL


@pytest.mark.parametrize("how", ["mouse", "hangs", "esc"])
def test_a_hand_that_is_gone_stops_the_rig(person, how):
    someone = person(STANDING)
    hold = someone.page.ask.hold
    if how == "mouse":
        someone.standing(lambda: QTest.mousePress(hold, Qt.MouseButton.LeftButton))
        QTest.mouseRelease(hold, Qt.MouseButton.LeftButton)
    else:
        someone.standing_by_key()
    if how == "hangs":
        time.sleep(0.6)
    elif how == "esc":
        someone.press(Qt.Key.Key_Escape)
    someone.until(lambda: bool(someone.model.last_stop))
    assert ("Operator" if how == "esc" else "Hold-to-run") in someone.model.last_stop
    someone.ended()
    assert someone.model.value("power_stage") == PowerStage.OFF
    if how == "esc":  # a person's stop is not a finding; it stays until a reset
        assert someone.model.state is State.STOPPED
        assert someone.bringup.state_of(STANDING) == Verdict.NOT_RUN


def test_every_question_is_answered_by_keyboard_alone(person):
    someone = person(ASKING)
    someone.press(Qt.Key.Key_G)
    someone.is_asked("act")
    someone.press(Qt.Key.Key_Return)
    someone.is_asked("read")
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
    someone.is_asked("choose")
    someone.press(Qt.Key.Key_2)
    someone.is_asked("act")
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


def test_a_rig_host_that_dies_ends_it_and_the_record_is_kept(qtbot, monkeypatch, tmp_path):
    with started(tmp_path) as bench:
        someone = Person(bench, qtbot, monkeypatch, (MOVING,))
        someone.bringup.set_alone(False)
        control = EnvironmentClient(str(someone.model.description["environment"]))
        try:
            someone.standing_by_key(lambda person: person.model.value("nut_velocity_m_s") > 0.005)
            bench.processes["host"].kill()
            someone.until(lambda: not someone.bringup.running)
            assert "contact lost" in someone.bringup.message
            folder = someone.bringup.folder
            assert folder is not None
            assert "begun" in read_record(folder)["steps"][0]["text"]
            assert not someone.page.begin.isEnabled()
            # The drive detects the loss of its host and powers off by itself.
            someone.until(lambda: abs(control.state()["nut_velocity_m_s"]) < 1e-4)
        finally:
            control.close()
            someone.window.close()


def test_nothing_is_begun_while_somebody_else_holds_control(bench, person):
    someone = person(SUPPLY)
    someone.session.client.post_release()
    with Client.connect(bench.link_directory, name="script") as script:
        someone.qtbot.wait(100)
        script.take_control()
        with script.keep_control():
            someone.until(lambda: someone.model.holder == "script")
            someone.press(Qt.Key.Key_G)
            assert not someone.bringup.running
            someone.page.refresh()
            assert "script holds control" in someone.page.ask.text.text()
        script.release_control()
