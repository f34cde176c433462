"""The rig's state stays visible beside a long name and after the rig host fell silent."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QApplication, QLabel

from hil.core import Cause, SessionCap, State
from tests.ui.made_rows import make_rows
from ui.dashboard.bench import OperateModel, SpringChoice, readouts
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

NAME = "footplate trainer with the second set of springs and a very long name, hall 7, west side"


@pytest.fixture
def model(description: dict[str, Any]) -> OperateModel:
    description["profile"]["name"] = NAME
    model = OperateModel(description, history_s=10.0)
    model.in_control = True
    return model


@pytest.fixture
def window(qapp, model: OperateModel) -> Iterator[Window]:
    model.feed([make_rows(200, state=State.DE_ENERGISED)], 1.0)
    window = Window(model)
    window.resize(1280, 720)
    window.fit()
    window.show()
    yield window
    window.close()


def test_a_long_name_leaves_room_for_trouble(window: Window, model: OperateModel) -> None:
    model.unverified = "no bring-up has verified this rig"
    window.refresh()
    header = window.header
    assert "UNVERIFIED" in header.health.text() and "you hold control" in header.health.text()
    plain = "▲ UNVERIFIED: limits opened · you hold control"
    assert QFontMetricsF(header.health.font()).horizontalAdvance(plain) < header.health.width()
    [name] = [label for label in header.findChildren(QLabel) if label.objectName() == "head"]
    assert name.text().endswith("…") and NAME in name.toolTip()


@pytest.mark.parametrize("size", [(1280, 720), (1366, 768), (1920, 1080)])
def test_a_new_rig_shows_all_its_warnings(
    window: Window, model: OperateModel, size: tuple[int, int]
) -> None:
    model.description = {
        **model.description,
        "verification": {"how": "unverified", "open": False, "text": "not verified"},
    }
    model.unverified, model.reference = "no bring-up has verified this rig", "unverified"
    for cap, holder in ((SessionCap(), True), (SessionCap(force_N=160.0, speed_m_s=0.05), False)):
        model.cap = cap
        window.resize(*size)
        window.fit()
        QApplication.processEvents()
        window.refresh()
        label = window.header.health
        words = ["UNVERIFIED", "REFERENCE"] + (["you hold control"] if holder else ["CAP"])
        assert [word for word in words if word not in label.text()] == []
        assert label.sizeHint().width() <= label.width() + 2


def test_the_button_of_a_long_name_is_short_too(window: Window, model: OperateModel) -> None:
    model.springs = SpringChoice(())
    window.build()
    QApplication.processEvents()
    button = window.header.springs
    assert button is not None and button.text().endswith("… ▾")
    assert NAME in button.accessibleName() and window.header.health.width() > 200


def test_figures_of_a_silent_rig_host_are_called_the_last(model: OperateModel) -> None:
    model.feed([make_rows(200, state=State.STOPPED, tripped=Cause.OPERATOR)], 1.0)
    assert readouts(model)[0].label == "Spring force"
    model.tick(9.0)
    assert readouts(model)[0].label == "Last spring force"


def test_a_silent_rig_host_is_not_to_be_reset(window: Window, model: OperateModel) -> None:
    model.feed([make_rows(200, state=State.STOPPED, tripped=Cause.OPERATOR)], 1.0)
    model.last_stop, model.last_stop_fix = "operator", "Reset when the rig may be used again."
    window.refresh()
    assert "Reset" in window.strip.last.whole
    model.tick(9.0)
    window.refresh()
    assert "Reset" not in window.strip.last.whole
