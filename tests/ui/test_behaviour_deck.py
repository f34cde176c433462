"""The deck of behaviours: setting values, applying, and refusals."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core.requests import CONFIRM_LOAD_MOTION, Behaviour, VirtualSpring
from hil.core.samples import BehaviourCode, State
from tests.ui.made_rows import make_rows
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.operate.behaviour_deck import BehaviourDeck
from ui.dashboard.operate.behaviour_rows import FieldRow
from ui.dashboard.widgets.theme import LIGHT, sizes_for

pytestmark = pytest.mark.real_time


class NotingDeck(BehaviourDeck):
    """A deck that records the behaviours it would apply."""

    def __init__(self, model: OperateModel) -> None:
        self.asked: list[Behaviour] = []
        self.confirmed: list[bool] = []
        super().__init__(model, LIGHT, sizes_for(1440, 900), self._note)

    def _note(self, behaviour: Behaviour, load_may_move: bool) -> None:
        self.asked.append(behaviour)
        self.confirmed.append(load_may_move)


@pytest.fixture
def deck(model, qtbot):
    model.feed([make_rows(100, state=State.STANDBY)], 1.0)
    deck = NotingDeck(model)
    deck.resize(330, 700)
    qtbot.addWidget(deck)
    deck.show()
    return deck


def type_into(row: FieldRow, text: str):
    row.entry.setFocus()
    row.entry.selectAll()
    QTest.keyClicks(row.entry, text)


def test_choosing_and_setting_ask_for_nothing_until_apply(deck):
    deck.choose(3)
    type_into(deck.rows[0], "40")
    QTest.keyClick(deck.rows[1].slider, Qt.Key.Key_Right)
    assert deck.asked == []
    QTest.mouseClick(deck.apply_button, Qt.MouseButton.LeftButton)
    (behaviour,) = deck.asked
    assert isinstance(behaviour, VirtualSpring)
    assert behaviour.stiffness_N_m == 40000.0
    assert behaviour.rest_m == pytest.approx(0.0305)  # starts from the present output position


def test_what_cannot_be_used_is_reported_and_not_asked(deck):
    deck.choose(2)
    type_into(deck.rows[0], "9000")
    assert deck.message.text() == "Force: −580 to 580 N"
    assert deck.rows[0].entry.property("wrong") is True
    deck.apply()
    assert deck.asked == []
    type_into(deck.rows[0], "90")
    deck.apply()
    assert deck.asked[0].force_N == 90.0


def test_a_load_that_would_fall_is_asked_about_and_enter_is_no_answer(deck, model):
    deck.choose(1)
    deck.apply()
    model.refusal = f"About 7.5 kg will fall to the lower end. {CONFIRM_LOAD_MOTION}"
    deck.refresh()
    assert "About 7.5 kg will fall to the lower end. Keep clear." in deck.message.text()
    assert deck.yes_button.isVisible() and deck.no_button.isVisible()
    assert not deck.apply_button.isVisible()
    deck.apply()  # Enter pressed once more
    assert deck.confirmed == [False]
    deck.leave_it()
    assert deck.confirmed == [False] and deck.apply_button.isVisible()
    deck.let_move()  # without a question
    assert deck.confirmed == [False]
    model.refusal = f"About 7.5 kg will fall to the lower end. {CONFIRM_LOAD_MOTION}"
    deck.refresh()
    QTest.mouseClick(deck.yes_button, Qt.MouseButton.LeftButton)
    assert deck.confirmed == [False, True] and not deck.asking
    # Power went off meanwhile: the question disappears.
    model.refusal = f"It will fall. {CONFIRM_LOAD_MOTION}"
    model.feed([make_rows(100, 0.2, State.DE_ENERGISED)], 1.2)
    deck.refresh()
    assert not deck.asking and not deck.yes_button.isVisible()


def test_hold_says_where_it_is_not_passive(deck):
    assert "Not passive below about 1.2 Hz" in deck.buttons[3].toolTip()


def test_follow_sends_changes_only_while_its_behaviour_acts(deck, model):
    deck.choose(3)
    assert not deck.follow_button.isEnabled()
    acting = make_rows(100, 0.1, State.RUNNING, behaviour=BehaviourCode.VIRTUAL_SPRING)
    model.feed([acting], 1.1)
    deck.refresh()
    deck.toggle_follow()
    assert "Following" in deck.message.text()
    deck.follow()
    assert deck.asked == []
    QTest.keyClick(deck.rows[0].slider, Qt.Key.Key_Right)
    deck.follow()
    deck.follow()
    assert len(deck.asked) == 1
    deck.choose(1)  # following ends with the choice of another behaviour
    assert not model.follow


def test_a_slider_says_where_the_bench_will_trim(deck):
    deck.choose(3)
    slider = deck.rows[0].slider
    before = slider.grab().toImage()
    QTest.keyClick(slider, Qt.Key.Key_End)
    assert slider.field.value == slider.field.high > slider.field.bound
    assert deck.rows[0].entry.text() == slider.field.shown()
    assert slider.grab().toImage() != before
