"""A client's name keeps its spelling at the beginning of a sentence."""

import pytest

from hil.core.samples import State
from tests.ui.made_rows import make_rows
from ui.dashboard.bench import PageContext
from ui.dashboard.measure import MeasureModel, MeasurePage
from ui.dashboard.operate.behaviour_deck import BehaviourDeck
from ui.dashboard.widgets import THEMES, sizes_for


@pytest.fixture
def watched(model):
    model.feed([make_rows(100, state=State.STANDBY)], 1.0)
    model.in_control, model.holder = False, "notebook"
    return model


def test_the_deck_says_who_holds_control_as_the_client_is_named(watched, qtbot):
    deck = BehaviourDeck(watched, THEMES["light"], sizes_for(1280, 720), lambda *_: None)
    qtbot.addWidget(deck)
    deck.refresh()
    assert deck.message.text() == "notebook holds control; this window watches"
    watched.holder = ""
    deck.refresh()
    assert deck.message.text() == "No client holds control: take it to act"


def test_a_plan_without_a_test_names_the_key_that_takes_one_in(model, qtbot):
    view = MeasureModel(model, None, None)
    page = MeasurePage(
        PageContext(model, None, view, THEMES["light"], sizes_for(1280, 720), None, print)
    )
    qtbot.addWidget(page)
    view.picked.clear()
    page.refresh()
    assert f"{page.pick.text()} (-)" in page.left.text()
    page.pick_now()
    assert len(view.picked) == 1
