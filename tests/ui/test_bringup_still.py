"""The Bring-up page without a bench: holding, questions, and conditions to begin."""

from concurrent.futures import ThreadPoolExecutor

import pytest
from PySide6.QtCore import QEvent, QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from hil.bringup.step import Result, Verdict
from hil.bringup.steps import STEPS
from hil.control import standing, verify
from hil.procedures.procedure import Hand
from hil.profile.loader import load_profile, profile_to_dict
from tests.ui.person_at_window import page_as
from ui.dashboard.bench.health import health
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.bench.pages import PageContext
from ui.dashboard.bringup.model import BringUpModel
from ui.dashboard.bringup.page import BringUpPage
from ui.dashboard.guided import why_not_words
from ui.dashboard.guided.page_operator import PageOperator
from ui.dashboard.widgets.theme import LIGHT, sizes_for
from ui.dashboard.window import Window

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate", "Bring-up")]


@pytest.fixture
def still(qapp, qtbot, model):
    """Return a window without a bench at the page, and the page's operator, which asks questions."""
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    window.show_page("Bring-up")
    page = page_as(window, BringUpPage)
    page.bringup.operator = PageOperator(None, alone=False)
    return window, page, page.bringup.operator


def test_a_question_that_is_not_seen_yet_is_not_answered(still, qtbot):
    window, page, asking = still
    with ThreadPoolExecutor(1) as thread:
        done = thread.submit(asking.act, Hand("support_load", "Support the load."))
        qtbot.waitUntil(lambda: asking.question is not None)
        QTest.keyClick(window, Qt.Key.Key_X)  # meant for the question before
        assert "Support the load." in page.ask.text.text()  # the question is shown now
        assert not done.done() and asking.question is not None
        QTest.keyClick(page.ask.done, Qt.Key.Key_Return)
        assert done.result(5) > 0


@pytest.mark.parametrize("how", ["focus", "deactivated", "page", "mouse", "theme"])
def test_whatever_takes_the_hand_away_lets_go(still, how):
    window, page, asking = still
    asking.hold_text = "Hold; it would move."
    page.refresh()
    assert window.focusWidget() is page.ask.hold
    if how == "mouse":
        QTest.mousePress(page.ask.hold, Qt.MouseButton.LeftButton)
    else:
        QTest.keyPress(page.ask.hold, Qt.Key.Key_Space)
    asking.turn()
    assert asking.holding
    if how == "focus":
        page.steps.setFocus()
    elif how == "deactivated":
        QApplication.sendEvent(window, QEvent(QEvent.Type.WindowDeactivate))
    elif how == "page":
        window.show_page("Operate")
    elif how == "mouse":
        QTest.mouseMove(page.ask.hold, QPoint(-30, -30))
    elif how == "theme":
        window.swap_theme()
    asking.turn()
    assert not asking.holding


def test_a_still_page_has_nothing_to_begin(qapp, model):
    view = BringUpModel(model, None, None)
    page = BringUpPage(
        PageContext(model, None, view, LIGHT, sizes_for(1280, 720), None, lambda title: None)
    )
    assert page.steps.count() == len(STEPS)
    assert not page.begin.isEnabled()
    page.begin_now()
    assert not view.running


def test_why_none_can_be_begun_is_a_sentence_and_a_clients_name_stays_as_it_is_written(model):
    view = BringUpModel(model, None, None)
    page = BringUpPage(
        PageContext(model, None, view, LIGHT, sizes_for(1280, 720), None, lambda title: None)
    )
    page.ask.refresh()
    assert page.ask.text.text() == "The rig host does not answer."
    model.holder = "notebook"
    held = "notebook holds control; this window watches"
    assert why_not_words(model, held) == f"{held}."


@pytest.fixture
def real_rig(own_state, description):
    """Return a bench of a real rig that no bring-up has verified yet."""
    del own_state
    profile = load_profile("footplate_trainer").model_copy(update={"simulation": None})
    told = {"profile": profile_to_dict(profile), "simulated": False}
    return profile, lambda found: OperateModel(description | told | {"verification": found})


def all_passed(model):
    view = BringUpModel(model, None, None)
    view.results = {step.key: Result(step.key, Verdict.PASS, "passed") for step in STEPS}
    view._sum_up()
    return view.message


def test_what_opens_the_limits_of_a_rig_that_is_verified_now_is_the_next_power_on(
    real_rig, tmp_path
):
    profile, bench_of = real_rig
    model = bench_of(standing(profile).as_data())
    assert "reduced" in model.unverified
    said = all_passed(model)
    assert "power-on (P) opens" in said and "anew" not in said
    assert "header says why" in said
    (shut,) = [word for word in health(model) if "reduced limits" in word.text]
    assert "never brought up" in shut.tooltip
    # The rig host checks again as power comes on and reports it: no hint remains.
    verify(profile, tmp_path, "2026-01-01T12:00:00+00:00")
    event = {"kind": "verification", "verification": standing(profile).as_data(), "time_s": 1.0}
    model.feed([event], 1.0)
    assert model.profile.limits.force.limited == profile.limits.force.limited
    assert all_passed(model).endswith("this rig is verified.")


def test_limits_that_were_opened_by_confirmation_are_not_called_reduced(real_rig):
    profile, bench_of = real_rig
    found = standing(profile, confirmed=profile.name)
    model = bench_of(found.as_data())
    assert model.unverified
    assert all_passed(model).endswith("this rig is verified.")
