"""Tours of bring-up and calibration: captions, pauses for the visitor, and no motion by the tour."""

import contextlib
import threading
import time
from types import SimpleNamespace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from hil.bench.lockstep import LockstepBench
from hil.bringup import Verdict
from hil.core.samples import State
from hil.procedures import Hand, ProcedureFailed, RequireHoldToRun, SimulatedOperator
from hil.profile.loader import load_profile
from tests.ui.made_rows import make_rows
from ui.dashboard.bench import PageContext
from ui.dashboard.bringup import BringUpPage
from ui.dashboard.bringup import tour as bringup_tour
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.calibrate import CalibratePage
from ui.dashboard.calibrate import tour as calibrate_tour
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.guided import PageOperator
from ui.dashboard.guided.tour import INTERRUPTED, LEAST_S, RESULTS_S, reading_s
from ui.dashboard.widgets import THEMES, sizes_for

PATIENCE_S = 5.0


@pytest.fixture(scope="module")
def hands():
    bench = LockstepBench(load_profile("footplate_trainer"), 1)
    return SimulatedOperator(bench.environment, bench.drive.core.parameters)


def shown(page_class, model_class, model, qtbot):
    model.feed([make_rows(100, state=State.DE_ENERGISED)], 1.0)
    view = model_class(model, None, None)
    sizes = sizes_for(1280, 720)
    page = page_class(PageContext(model, None, view, THEMES["light"], sizes, None, print))
    qtbot.addWidget(page)
    page.resize(1280, 560)
    page.show()
    page.activateWindow()
    qtbot.waitUntil(page.isActiveWindow)
    page.refresh()
    return page


@pytest.fixture
def bringup(model, qtbot):
    return shown(BringUpPage, BringUpModel, model, qtbot)


class Running:
    """A step in a thread that asks through the page's operator, as a procedure does."""

    def __init__(self, page, hands, key, *asked):
        self.page, self.view = page, page.guided
        self.operator = PageOperator(hands, self.view.alone)
        self.view.operator = self.operator
        self.view.current = next(step for step in self.view.steps if step.key == key)
        self.answers = []
        self._thread = threading.Thread(target=self._work, args=(asked,), daemon=True)
        self.view._thread = self._thread
        self._thread.start()

    def _work(self, asked):
        with contextlib.suppress(ProcedureFailed):  # raised at the end of the test
            for ask in asked:
                act = self.operator.act if isinstance(ask, Hand) else self.operator.hold_to_run
                self.answers.append(act(ask))

    def until(self, condition):
        """Refresh the page as its window does until the condition holds."""
        end_s = time.monotonic() + PATIENCE_S
        while not condition():
            self.operator.turn()
            self.page.refresh()
            QApplication.processEvents()
            assert time.monotonic() < end_s, (self.page.tour.words.text(), self.answers)
            time.sleep(0.01)

    def end(self):
        self.operator.withdraw()
        self.view.operator = self.view._thread = self.view.current = None
        self._thread.join(PATIENCE_S)


HAND = Hand("turn_screw", "Turn the screw by one turn.", 1.0)
HOLD = RequireHoldToRun(True, "The motor turns slowly.")


def caption(captions, start):
    [found] = [each for each in captions if each.text.startswith(start)]
    return found.text


def key(page, *keys, modifier=Qt.KeyboardModifier.NoModifier):
    for each in keys:
        QTest.keyClick(page.focusWidget() or page, each, modifier)


def ctrl(page, name):
    key(page, name, modifier=Qt.KeyboardModifier.ControlModifier)


def test_a_tour_is_begun_and_left_by_key_and_by_mouse(bringup):
    tour = bringup.tour
    assert tour.isHidden() and tour.frame.isHidden()
    ctrl(bringup, Qt.Key.Key_T)
    assert tour.isVisible() and tour.words.text() == bringup_tour.CAPTIONS[0].text
    place = bringup.steps.geometry()
    assert tour.frame.isVisible() and tour.frame.geometry().contains(place.adjusted(1, 1, -1, -1))
    ctrl(bringup, Qt.Key.Key_N)
    assert tour.words.text() == bringup_tour.CAPTIONS[1].text and not tour.next.isEnabled()
    ctrl(bringup, Qt.Key.Key_T)
    assert tour.isHidden() and tour.frame.isHidden()
    QTest.mouseClick(tour.button, Qt.MouseButton.LeftButton)
    QTest.mouseClick(tour.next, Qt.MouseButton.LeftButton)
    assert tour.words.text() == bringup_tour.CAPTIONS[1].text
    QTest.mouseClick(tour.leave, Qt.MouseButton.LeftButton)
    assert tour.isHidden()


def test_captions_go_on_once_they_are_read_and_then_wait_for_what_they_are_about(bringup):
    tour = bringup.guided.tour
    tour.toggle(0.0)
    read_s = reading_s(bringup_tour.CAPTIONS[0].text)
    tour.turn(read_s - 0.1)
    assert tour.caption is bringup_tour.CAPTIONS[0]
    tour.turn(read_s + 0.1)
    tour.turn(1000.0)
    assert tour.caption is bringup_tour.CAPTIONS[1] and tour.waits


def test_the_visitor_answers_where_the_tour_pauses_and_simulated_hands_go_on(bringup, hands):
    ctrl(bringup, Qt.Key.Key_T)
    run = Running(bringup, hands, "sensors_by_hand", HAND, HAND)
    view = bringup.guided
    try:
        turn = caption(bringup_tour.CAPTIONS, "Your turn. The picture")
        run.until(lambda: bringup.tour.words.text() == turn)
        assert not view.alone and bringup.hands.text().endswith("no")
        assert not bringup.tour.next.isEnabled()
        time.sleep(0.7)  # longer than simulated hands take
        run.until(lambda: True)
        assert run.answers == []
        bringup.keys()[Qt.Key.Key_Return]()
        run.until(lambda: len(run.answers) == 2)  # simulated hands answer the second question
        assert view.alone
    finally:
        run.end()


def test_the_visitor_holds_and_the_tour_holds_nothing(bringup, hands):
    ctrl(bringup, Qt.Key.Key_T)
    run = Running(bringup, hands, "first_motion", HOLD)
    view = bringup.guided
    try:
        turn = caption(bringup_tour.CAPTIONS, "Your turn. Hold")
        run.until(lambda: bringup.tour.words.text() == turn and bringup.ask.hold.isVisible())
        hold = bringup.ask.hold
        frame = bringup.tour.frame
        run.until(lambda: frame.geometry().contains(hold.mapTo(bringup, hold.rect().center())))
        assert frame.height() < 2 * hold.height()
        time.sleep(0.7)
        run.until(lambda: True)
        assert not view.holding and run.answers == []
        ctrl(bringup, Qt.Key.Key_T)  # the tour is left midway: the question keeps waiting
        time.sleep(0.7)
        run.until(lambda: True)
        assert not view.holding and run.answers == [] and not view.alone
        QTest.keyPress(bringup.ask.hold, Qt.Key.Key_Space)
        run.until(lambda: run.answers == [True])
        assert view.holding
        QTest.keyRelease(bringup.ask.hold, Qt.Key.Key_Space)
        run.operator.turn()
        assert not view.holding
    finally:
        run.end()


def test_who_takes_over_keeps_the_answers(bringup, hands):
    ctrl(bringup, Qt.Key.Key_T)
    run = Running(bringup, hands, "sensors_by_hand", HAND, HAND)
    view = bringup.guided
    try:
        run.until(lambda: not view.alone)
        bringup.hands.toggle()  # yes, chosen by the visitor
        run.until(lambda: len(run.answers) == 2)
        bringup.hands.toggle()  # no
        run.until(lambda: True)
        assert view.tour.taken_over and not view.alone
    finally:
        run.end()
    bringup.refresh()
    assert not view.alone


def test_an_end_before_the_end_is_reported_with_the_keys_that_go_on(bringup, hands):
    ctrl(bringup, Qt.Key.Key_T)
    run = Running(bringup, hands, "first_motion", HOLD)
    try:
        run.until(lambda: bringup.tour.words.text().startswith("Your turn"))
    finally:
        run.end()
    run.until(lambda: bringup.tour.words.text() == INTERRUPTED)
    assert bringup.tour.isVisible()


def test_what_comes_fast_is_still_read(bringup):
    view = bringup.guided
    view.tour.toggle(0.0)
    steps = {step.key: step for step in view.steps}
    view._thread = SimpleNamespace()
    view.current = steps["stop_chain"]
    view.tour.turn(0.1)
    assert view.tour.caption is bringup_tour.CAPTIONS[0]
    view.tour.turn(LEAST_S + 0.1)
    assert view.tour.caption.text.startswith("Power comes on")
    view.current = steps["loop"]
    view.tour.turn(LEAST_S + 0.2)
    assert view.tour.caption.text.startswith("Power comes on")
    view.tour.turn(2 * LEAST_S + 0.2)
    assert view.tour.caption.text.startswith("From here")
    view.current = view._thread = None
    view.results = {key: SimpleNamespace(verdict=Verdict.PASS, findings=()) for key in steps}
    for seconds in (0.3, RESULTS_S + 0.3):  # all steps passed: not an interruption
        view.tour.turn(2 * LEAST_S + seconds)
        assert view.tour.caption.text.startswith("From here")
    view.tour.turn(3 * LEAST_S + 0.3)
    assert view.tour.caption is bringup_tour.CAPTIONS[-1]


def test_a_last_result_that_comes_late_is_no_interruption(bringup):
    view = bringup.guided
    view.tour.toggle(0.0)
    steps = {step.key: step for step in view.steps}
    view._thread = SimpleNamespace()
    view.current = steps["travel"]
    view.tour.turn(LEAST_S)
    view.current = view._thread = None
    view.tour.turn(LEAST_S + 0.5 * RESULTS_S)
    assert view.tour.caption.text.startswith("From here")
    view.tour.turn(LEAST_S + RESULTS_S)
    assert view.tour.caption.text == INTERRUPTED


@pytest.mark.parametrize(
    ("page_class", "model_class", "captions"),
    [
        (BringUpPage, BringUpModel, bringup_tour.CAPTIONS),
        (CalibratePage, CalibrateModel, calibrate_tour.CAPTIONS),
    ],
)
def test_every_caption_points_at_a_part_and_fits(page_class, model_class, captions, model, qtbot):
    page = shown(page_class, model_class, model, qtbot)
    ctrl(page, Qt.Key.Key_T)
    for each in captions:
        assert page.tour._parts[each.at], each
        page.tour.words.setText(each.text)
        page.tour.layout().activate()
        words = page.tour.words
        assert words.heightForWidth(words.width()) <= max(words.height(), words.sizeHint().height())
    assert sum(each.tries for each in captions) >= 1
    assert captions[0].begins is None


def test_a_calibration_waits_for_its_visitor(model, qtbot, hands):
    page = shown(CalibratePage, CalibrateModel, model, qtbot)
    view = page.calibrating
    ctrl(page, Qt.Key.Key_T)
    assert page.tour.words.text() == calibrate_tour.CAPTIONS[0].text
    operator = PageOperator(hands, view.alone)
    view.run.operator = operator
    answers: list[bool] = []
    thread = threading.Thread(
        target=lambda: answers.extend((operator.hang(2.5), operator.hang(5.0))), daemon=True
    )
    view.run._thread = thread
    thread.start()
    try:
        qtbot.waitUntil(lambda: page.refresh() or page.tour.words.text().startswith("Your turn"))
        qtbot.wait(700)
        page.refresh()
        assert answers == [] and not view.alone
        page.keys()[Qt.Key.Key_Return]()
        qtbot.waitUntil(lambda: page.refresh() or view.alone)
        thread.join(PATIENCE_S)
        assert answers == [True, True]
    finally:
        operator.withdraw()
        view.run.operator = view.run._thread = None


def test_a_real_rig_has_no_tour(description, qtbot):
    from ui.dashboard.bench import OperateModel

    real = OperateModel(description | {"simulated": False}, history_s=10.0)
    page = shown(BringUpPage, BringUpModel, real, qtbot)
    assert page.tour.button.isHidden()
    ctrl(page, Qt.Key.Key_T)
    assert page.tour.isHidden() and not page.guided.tour.open
