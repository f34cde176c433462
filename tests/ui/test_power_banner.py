"""Power that stays on, shown across the top of every page."""

from __future__ import annotations

import pytest

from drivers.base import PowerStage
from hil.core.limits import Cause
from hil.core.samples import INDEX, State
from ui.dashboard.window import Window


def stand(model, state, cause, stage):
    model.row[INDEX["state"]] = state
    model.row[INDEX["tripped"]] = cause
    model.row[INDEX["power_stage"]] = stage


@pytest.fixture
def window(qapp, model):
    window = Window(model)
    window.resize(1440, 900)
    window.show()
    yield window
    window.close()


def test_it_stands_on_every_page_until_the_drive_shows_off(window, model):
    stand(model, State.STOPPED, Cause.POWER_NOT_REMOVED, PowerStage.ON)
    for entry in window.entries:
        window.show_page(entry.title)
        window.refresh()
        assert window.banner.isVisible()
        assert window.banner.width() == window.centralWidget().width()
    assert "POWER IS STILL ON" in window.banner.text()
    stand(model, State.STOPPED, Cause.POWER_NOT_REMOVED, PowerStage.FAULT)
    window.refresh()
    assert not window.banner.isVisible()


@pytest.mark.parametrize(
    "state, cause, stage",
    [
        (State.RUNNING, 0, PowerStage.ON),
        (State.STOPPED, Cause.OPERATOR, PowerStage.OFF),
        (State.DE_ENERGISED, 0, PowerStage.OFF),
    ],
)
def test_it_says_nothing_otherwise(window, model, state, cause, stage):
    stand(model, state, cause, stage)
    window.refresh()
    assert not window.banner.isVisible()


def test_a_host_that_ends_with_power_on_leaves_it_standing(window, model):
    model._event({"kind": "host_ending", "power": "POWER IS STILL ON", "power_still_on": True})
    window.refresh()
    assert window.banner.isVisible()


def test_de_energised_is_no_claim_that_power_went(model):
    stand(model, State.DE_ENERGISED, 0, PowerStage.ON)
    model.now_s, model._received_s = 1.0, 1.0
    assert "not yet reported off" in model.state_detail
