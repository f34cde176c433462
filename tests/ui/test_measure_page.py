"""The Measure page on a simulated rig, with real processes."""

import functools
import json
import shutil

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QDesktopServices
from PySide6.QtTest import QTest

from drivers.base import PowerStage
from hil.core import State
from hil.host import BenchOptions, start_bench
from hil.link import Client
from hil.measure import Characteristic, Diagram, Evaluation, GuardedTest, Line
from hil.measure.characteristic import cut, windows
from hil.measure.guarded import envelope, under_power, window
from hil.procedures import Hand
from hil.profile import SHIPPED, load_profile
from hil.recorder import load_run
from tests.ui.person_at_window import PersonAtWindow, page_as, view_of_page
from ui.dashboard.bench import Session
from ui.dashboard.measure import MeasureModel, MeasurePage

pytestmark = pytest.mark.real_time

PATIENCE_MS = 40_000
LONG_S = 20.0


def _held(lasts_s):
    def run(profile):
        yield Hand("support_load", "Support the load.")
        yield from under_power(envelope(profile, 0.5, 0.5), "Nothing moves")
        yield from window("held", lasts_s)

    return run


def _quiet(profile):
    del profile
    yield from window("held", 0.3)


def _evaluate(run, profile):
    (held,) = windows(run, "held")
    force = cut(run, held, "spring_force_N")
    mean = Characteristic(
        "held.mean",
        "Mean force",
        float(np.mean(force)),
        0.5,
        "N",
        900.0,
        1.0,
        causes="an invention",
    )
    line = Line("force", cut(run, held, "time_s") - 0.0, force)
    return Evaluation((mean,), (Diagram("Force", "time (s)", "force (N)", (line,)),))


def made(key, title, run, evaluate=_evaluate):
    return GuardedTest(
        key, title, "a purpose", "A risk.", ("lever free",), lambda _p: 2.0, run, evaluate
    )


FIRST, SECOND = made("first", "First", _held(0.3)), made("second", "Second", _held(0.3))
QUIET = made("first", "First", _quiet)
LONG = made("second", "Second", _held(LONG_S))


def _heavier(run, profile):
    """Return a plant 1.3 times as heavy as the profile's, in any run."""
    del run
    mass = 1.3 * profile.actuator.reflected_mass
    return Evaluation((Characteristic("plant.reflected_mass", "Reflected mass", mass, 0.3, "kg"),))


def _response(margin_deg):
    """Return figures of a force response; the redesign's include its own rotor."""

    def evaluate(run, profile):
        del run
        inertia = profile.actuator.motor.rotor_inertia
        found = [("margin_small", margin_deg, "°"), ("margin_medium", margin_deg, "°")]
        found += [("rotor", 1e6 * inertia, "kg·mm²")]
        return Evaluation(
            tuple(
                Characteristic(f"force_response.{key}", key, value, 1.0, unit)
                for key, value, unit in found
            )
        )

    return evaluate


PLANT = made("plant", "Plant", _quiet, _heavier)
GOOD = made("force_response", "Force response", _held(0.3), _response(45.0))
BAD = made("force_response", "Force response", _held(0.3), _response(20.0))
UNENDING = made("force_response", "Force response", _held(LONG_S), _response(45.0))


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measure")
    shutil.copytree(SHIPPED, folder / "mine")
    options = BenchOptions(runs_directory=folder / "runs")
    with start_bench(folder / "mine" / "footplate_trainer.yaml", options) as running:
        yield running


class Person(PersonAtWindow):
    """A person at the Measure page."""

    PATIENCE_MS = PATIENCE_MS

    def __init__(self, bench, qtbot, monkeypatch, tests):
        make = functools.partial(MeasureModel, tests=tests)
        view_of_page(monkeypatch, "Measure", make, only=("Operate", "Measure"))
        self.profile_file = bench.runs_directory.parent / "mine" / "footplate_trainer.yaml"
        client = Client.connect(bench.link_directory, name="dashboard")
        session = Session(client, profile_file=self.profile_file)
        super().__init__(qtbot, session, bench.runs_directory)
        self.window.activateWindow()
        self.page = page_as(self.window, MeasurePage)
        self.measuring = self.page.measuring
        qtbot.waitUntil(self.window.isActiveWindow)
        self.until(lambda: self.model.in_control)
        self.press(Qt.Key.Key_F6)
        assert self.window.page is self.page
        if self.model.state is State.STOPPED:
            self.press(Qt.Key.Key_T)
        self.until(lambda: not self.measuring.why_not_begin)

    def meanwhile(self):
        if self.model.holder is None and not self.measuring.running:
            self.session.take_control()  # a busy computer loses control

    @property
    def asked(self):
        return self.page.ask.text.text()

    def reset(self):
        self.until(lambda: self.model.in_control)  # without control, keys are ignored
        self.press(Qt.Key.Key_T)
        self.until(lambda: not self.measuring.why_not_begin)

    def ended(self):
        self.until(lambda: not self.measuring.running and not self.measuring.filing)


@pytest.fixture
def person(bench, qtbot, monkeypatch):
    people = []

    def make(*tests, hands=True):
        sitting = Person(bench, qtbot, monkeypatch, tests)
        if not hands:
            sitting.press(Qt.Key.Key_H)
        people.append(sitting)
        return sitting

    yield make
    for sitting in people:
        sitting.window.close()


def test_figures_come_in_with_their_verdict_and_the_sheet_is_one_key_away(
    bench, person, monkeypatch
):
    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: bool(opened.append(url)) or True)
    someone = person(FIRST, SECOND)
    measuring, page = someone.measuring, someone.page
    assert "A risk." in page.words.text() and "lever free" in page.evidence.toPlainText()
    # One test is deselected, then selected again.
    someone.press(Qt.Key.Key_End, Qt.Key.Key_Minus)
    assert measuring.picked == {"first"} and "1 of 2" in page.left.text()
    someone.press(Qt.Key.Key_Minus, Qt.Key.Key_G)
    someone.until(lambda: measuring.current is FIRST)
    assert "left" in page.left.text() and not page.pick.isEnabled()
    someone.until(lambda: measuring.current is SECOND)
    someone.ended()
    assert set(measuring.results) == {"first", "second"}
    someone.until(lambda: measuring.sheet is not None)
    someone.press(Qt.Key.Key_Home)
    told = page.evidence.toPlainText()
    assert "Mean force" in told and "± 0.50" in told and "900.0 ± 1.0" in told
    assert "≠ differs" in told and "an invention" in told
    assert "2 differ" in page.ask.text.text()
    assert page.plot.isVisible() and page.plot.getPlotItem().listDataItems()
    QTest.keyClick(someone.window, Qt.Key.Key_R, Qt.KeyboardModifier.ControlModifier)
    assert [url.toLocalFile() for url in opened] == [str(measuring.sheet.resolve())]
    data = json.loads((measuring.folder / "data_sheet.json").read_text())
    assert [figure["test"] for figure in data["figures"]] == ["first", "second"]
    # The recorder's runs stay in place, and another measurement begins empty.
    names = {path.name for path in (measuring.folder / "runs").iterdir()}
    assert names <= {path.name for path in bench.runs_directory.iterdir()} and len(names) == 2
    folder = measuring.folder
    measuring.choose(None)
    assert not measuring.results and measuring.picked == {"first", "second"}
    measuring.choose(folder)
    someone.ended()
    assert set(measuring.results) == {"first", "second"} and not measuring.picked


def _asks(measuring, kind):
    question = measuring.question  # the procedure's thread may withdraw it
    return question is not None and question.kind == kind


def test_by_keyboard_alone_a_stop_is_reported_and_the_rest_goes_on_in_the_same_folder(
    person, bench
):
    someone = person(QUIET, LONG, hands=False)
    measuring, page = someone.measuring, someone.page
    for _ in range(5):  # a busy computer may let go of the control
        someone.press(Qt.Key.Key_G)
        someone.until(lambda: _asks(measuring, "act"))
        someone.press(Qt.Key.Key_Return)
        someone.until(lambda: _asks(measuring, "hold") or not measuring.running)
        assert someone.window.focusWidget() is page.ask.hold
        someone.down(Qt.Key.Key_Space)
        someone.until(lambda: someone.model.state is State.STANDBY or not measuring.running)
        someone.press(Qt.Key.Key_Escape)
        someone.until(lambda: someone.model.value("power_stage") == PowerStage.OFF)
        someone.ended()
        someone.down(Qt.Key.Key_Space, up=True)
        if "stopped by the operator" in page.ask.text.text():
            break
        someone.reset()
    folder = measuring.folder
    someone.until(lambda: someone.model.state is State.STOPPED)  # its sample may arrive later
    assert "stopped by the operator" in page.ask.text.text()
    assert "continue (G)" in page.ask.text.text()
    assert page.live.isVisible()  # shows the last seconds before the stop
    assert measuring.picked == {"second"} and set(measuring.results) == {"first"}
    someone.until(lambda: measuring.sheet is not None)
    # Reset, then the remaining test in the same folder.
    measuring.tests = (QUIET, SECOND)
    someone.reset()
    someone.press(Qt.Key.Key_H, Qt.Key.Key_G)
    someone.until(lambda: measuring.current is SECOND)
    someone.ended()
    assert measuring.folder == folder and set(measuring.results) == {"first", "second"}
    shutil.rmtree(folder)


def test_a_redesign_is_tried_under_guard_and_written_only_if_it_holds(person, bench):
    someone = person(PLANT, BAD)
    measuring, page = someone.measuring, someone.page
    inertia = load_profile(str(someone.profile_file)).actuator.motor.rotor_inertia
    assert not page.use.isVisible()
    someone.press(Qt.Key.Key_U)
    assert "no redesign is proposed" in page.ask.text.text()
    someone.press(Qt.Key.Key_G)
    someone.until(lambda: measuring.running)
    someone.ended()
    someone.until(lambda: measuring.sheet is not None)
    assert page.use.isVisible() and page.use.isEnabled()
    assert "U tries it" in page.ask.text.text()
    before = measuring.results["force_response"]
    # A worse redesign is not offered for the profile.
    someone.press(Qt.Key.Key_U)
    someone.until(lambda: measuring.current is BAD)
    someone.ended()
    assert "keep the gains in force" in page.ask.text.text() and "below 30°" in page.ask.text.text()
    assert measuring.question is None and "Try" in page.use.text()
    assert measuring.results["force_response"] is before  # not a result of the measurement
    # Another trial is stopped: there is no verdict.
    measuring.tests = (PLANT, UNENDING)
    someone.press(Qt.Key.Key_U)
    someone.until(lambda: someone.model.state is State.STANDBY)
    someone.press(Qt.Key.Key_Escape)
    someone.ended()
    assert "Trial of the redesign, stopped" in page.ask.text.text()
    someone.reset()
    # A good redesign: its run records the tried plant, and the figures are the redesign's.
    measuring.tests = (PLANT, GOOD)
    someone.press(Qt.Key.Key_U)
    someone.until(lambda: _asks(measuring, "confirm"))
    tried = measuring.redesign.tried
    assert tried.trial.accepted and page.ask.text.text().startswith("Write into footplate_trainer")
    assert "actuator.motor.rotor_inertia" in page.ask.text.text()
    assert (
        "Redesign" not in page.title.text() and "may be taken over" in page.evidence.toPlainText()
    )
    (run,) = (load_run(path) for path in (tried.folder / "runs").iterdir())
    envelopes = [e["envelope"] for e in run.events if e["kind"] == "envelope" and e["envelope"]]
    assert envelopes[-1]["plant"]["rotor_inertia_kg_m2"] == pytest.approx(1.3 * inertia, rel=0.1)
    rotor = next(pair for pair in tried.trial.pairs if pair.name.endswith("rotor"))
    assert rotor.second > 1.2 * rotor.first
    # Declined now, it is offered again; once written, this bench begins nothing more.
    someone.press(Qt.Key.Key_X)
    assert measuring.question is None and page.use.text().startswith("Write redesign")
    someone.press(Qt.Key.Key_U, Qt.Key.Key_Return)
    someone.until(lambda: measuring.redesign.written)
    assert "Written into footplate" in page.ask.text.text()
    assert "start it again" in measuring.why_not_begin and not page.begin.isEnabled()
    now = load_profile(str(someone.profile_file)).actuator.motor.rotor_inertia
    assert now == pytest.approx(1e-6 * rotor.second, rel=1e-3)
