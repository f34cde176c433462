"""A person at the Calibrate page of a window whose rig runs in lockstep."""

import dataclasses
import functools
import threading

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLineEdit

from hil.bench.lockstep import LockstepBench
from hil.calibration.archive import keep_calibration
from hil.core.requests import Marker
from hil.link.items import Answer
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.profile.loader import load_profile, profile_to_dict
from tests.hil.calibration.made_up import made_up
from tests.ui.person_at_window import PersonAtWindow, page_as, view_of_page
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.calibrate import CalibratePage
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.guided import PageOperator

PATIENCE_MS = 30_000  # on a busy computer one load in lockstep takes 10 s and more


@dataclasses.dataclass(frozen=True)
class Rows:
    rows: np.ndarray


class PagedLockstep(LockstepRunner):
    """Lockstep runner with the page's operator for weights, and the page's way to abort."""

    def __init__(self, bench, operator, tell):
        super().__init__(bench, tell=tell, operator=operator)
        self.why = ""
        self._person = operator
        self._aborted = threading.Event()

    def abort(self, why):
        self.why = self.why or why
        self._aborted.set()
        self._person.withdraw()

    def _hang(self, mass_kg):
        return self._person.hang(mass_kg)

    def _pause(self, seconds):
        if self._aborted.is_set() and not self._stop_is_own:
            raise KeyboardInterrupt
        super()._pause(seconds)


class LockstepRig:
    """Implementation of ``ui.dashboard.calibrate.rig.PageRig`` in lockstep."""

    drive = "simulated, in lockstep"

    def __init__(self, profile):
        self.profile = profile
        self.hung = []

    @functools.cached_property
    def bench(self):
        return LockstepBench(self.profile, 1)

    def open(self, stack, alone, tell):
        bench = self.bench
        hands = SimulatedOperator(bench.environment, bench.drive.core.parameters)

        def hang(mass_kg):
            self.hung.append(mass_kg)
            bench.environment.hang(mass_kg)

        operator = PageOperator(hands, alone, hang)
        return operator, PagedLockstep(bench, operator, tell)


class LockstepSession:
    """Session of a window over a lockstep bench, without a link."""

    def __init__(self, model, rig):
        self.model, self.rig = model, rig
        self.client = self
        self.load = self.profile_file = None
        self.listeners = []

    def listen(self, view, name):
        if hasattr(view, "feed"):
            self.listeners.append(view)

    def feed(self, items):
        self.model.feed(items, 0.0)
        for view in self.listeners:
            view.feed(items, 0.0)

    def ask(self, request, then=None):
        bench = self.rig.bench
        first = len(bench.events)
        outcome = bench.request(request)
        self.feed(bench.events[first:])
        if then is not None:
            then(Answer(1, outcome.accepted, outcome.text))

    def mark(self, text):
        self.ask(Marker(text=text))

    def pump(self):
        self.feed([])

    def nothing(self, *_):
        pass

    apply = power_on = power_off = reset = stop = toggle_record = nothing
    heartbeat = give_control = take_control = close = nothing


class Person(PersonAtWindow):
    """A person at the Calibrate page."""

    PATIENCE_MS = PATIENCE_MS
    HEIGHT = 800

    def __init__(self, qtbot, monkeypatch, folder, profile_file=None):
        profile = load_profile(profile_file or "footplate_trainer")
        self.rig = LockstepRig(profile)
        make = functools.partial(CalibrateModel, rig=self.rig)
        view_of_page(monkeypatch, "Calibrate", make, only=("Operate", "Calibrate"))
        description = {"profile": profile_to_dict(profile), "simulated": True}
        model = OperateModel(description, history_s=5.0)
        model.in_control = True
        session = LockstepSession(model, self.rig)
        session.profile_file = profile_file
        super().__init__(qtbot, session, folder / "runs")
        self.window.activateWindow()
        qtbot.waitUntil(self.window.isActiveWindow)
        self.press(Qt.Key.Key_F4)
        self.calibrating = self.page.calibrating
        assert self.window.page is self.page
        self.until(lambda: not self.calibrating.kept.reading)

    @property
    def page(self):
        return page_as(self.window, CalibratePage)

    def meanwhile(self):
        # A lockstep bench sends no heartbeat events of its own.
        self.session.feed([{"kind": "heartbeat"}])
        self.window.refresh()

    @property
    def asked(self):
        return self.page.ask.text.text(), self.calibrating.message

    def type(self, key, text):
        field = self.page.form.fields[key]
        field.setFocus()
        field.selectAll()
        QTest.keyClicks(field, text)

    def away(self):
        """Leave the text field by keyboard."""
        for _ in range(len(self.page.form.fields)):
            if not isinstance(self.window.focusWidget(), QLineEdit):
                return
            self.press(Qt.Key.Key_Tab)
        raise AssertionError(f"Tab does not leave {self.window.focusWidget().accessibleName()}")

    def choose(self, path):
        """Choose a row of the earlier calibrations by keyboard."""
        paths = [kept.path for kept in self.calibrating.kept.rows]
        steps = paths.index(path) - self.page.kept.currentRow()
        self.press(*[Qt.Key.Key_Down if steps > 0 else Qt.Key.Key_Up] * abs(steps))
        assert self.page.kept.chosen.path == path

    @property
    def said(self):
        self.window.refresh()
        return self.page.ask.text.text()


def keep(folder, note="", profile=None, **how):
    """File a calibration; of another rig if ``profile`` is given."""
    result = made_up(**how)
    if profile is not None:
        result = dataclasses.replace(result, profile=profile)
    return keep_calibration(
        folder, result, profile_file="p.yaml", drive="d", simulated=True, note=note
    )


def quick(person, monkeypatch):
    """Move faster than a person would want."""
    options = person.calibrating.setup.options
    monkeypatch.setattr(
        person.calibrating.setup,
        "options",
        lambda: dataclasses.replace(options(), speed_m_s=0.15, read_s=0.1),
    )
