"""Session cap on the Operate page: typed, narrowed at once, widened if confirmed and without power."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.bench import LockstepBench
from hil.core import PowerOff, PowerOn, SessionCap
from hil.profile import load_profile, profile_to_dict
from tests.ui.lockstep_session import LockstepSession
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel, PageContext, health
from ui.dashboard.bench.session import LoadHand
from ui.dashboard.operate import OperatePage, OperateView
from ui.dashboard.operate.cap_panel import CapPanel
from ui.dashboard.widgets import THEMES, sizes_for
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

PROFILE = load_profile("footplate_trainer")
Key = Qt.Key


class Rig:
    """Window and lockstep bench, which answers the window's requests itself."""

    def __init__(self, tmp_path: Path) -> None:
        self.bench = LockstepBench(PROFILE, 1)
        self.model = OperateModel({"profile": profile_to_dict(PROFILE), "simulated": True}, 60.0)
        self.model.in_control = True
        self.window = Window(self.model, None, runs_directory=tmp_path / "runs")
        self.view = self.window.view_of("Operate")
        self.session = LockstepSession(self.bench, self.model)
        self.asked = self.session.asked
        self.view.cap._session = self.session
        self.window.resize(1440, 900)
        self.window.show()
        self.turn(0.3)

    def turn(self, seconds: float = 0.05) -> None:
        self.model.feed(self.session.run(seconds), self.bench.time_s)
        self.window.refresh()

    @property
    def panel(self) -> CapPanel:
        panel = page_as(self.window, OperatePage).cap
        assert panel is not None
        return panel

    def key(self, key: Qt.Key) -> None:
        QTest.keyClick(self.window.focusWidget() or self.window, key)
        self.window.refresh()

    def type(self, name: str, text: str) -> None:
        field = self.panel.entries[name]
        field.setFocus()
        field.selectAll()
        QTest.keyClicks(field, text)


@pytest.fixture
def rig(tmp_path: Path, qapp: Any) -> Any:
    rig = Rig(tmp_path)
    yield rig
    rig.window.close()


def test_by_keyboard_from_no_cap_to_a_narrow_one_and_back(rig: Rig) -> None:
    assert not rig.panel.isVisible()
    rig.key(Key.Key_L)
    assert rig.panel.isVisible() and "No session cap" in rig.panel.text.text()
    assert rig.window.focusWidget() is rig.panel.entries["force_N"]
    QTest.keyClicks(rig.panel.entries["force_N"], "100")
    rig.type("speed_m_s", "50")
    rig.key(Key.Key_Return)
    rig.turn()
    assert rig.asked == [SessionCap(force_N=100.0, speed_m_s=0.05)]
    assert not rig.model.refusal  # the page's own Enter would have applied a behaviour
    assert rig.model.profile.limits.force.limited == 100.0
    assert "Session cap: 100 N, 50 mm/s" in rig.panel.text.text()
    assert "SESSION CAP 100 N, 50 mm/s" in [word.text for word in health(rig.model)]
    force = rig.model.forms[1].entry("force")
    assert (force.low, force.high) == (-100.0, 100.0)
    # A wider cap needs confirmation.
    rig.type("force_N", "150")
    rig.key(Key.Key_Return)
    assert len(rig.asked) == 1 and "150 N is wider than the 100 N in force" in rig.panel.text.text()
    rig.key(Key.Key_N)
    assert rig.panel.entries["force_N"].text() == "100"
    rig.type("force_N", "150")
    rig.key(Key.Key_Return)
    rig.key(Key.Key_Y)
    rig.turn()
    assert rig.asked[-1] == SessionCap(force_N=150.0, speed_m_s=0.05, widen=True)
    assert rig.model.profile.limits.force.limited == 150.0
    for name in rig.panel.entries:
        rig.panel.entries[name].clear()
    QTest.mouseClick(rig.panel.set_button, Qt.MouseButton.LeftButton)
    QTest.mouseClick(rig.panel.yes, Qt.MouseButton.LeftButton)
    rig.turn()
    assert rig.model.profile.limits == PROFILE.limits and not rig.bench.bench.cap.force_N
    QTest.mouseClick(rig.panel.close_button, Qt.MouseButton.LeftButton)
    rig.window.refresh()
    assert not rig.panel.isVisible()


def test_under_power_a_cap_narrows_and_does_not_widen(rig: Rig) -> None:
    assert rig.bench.request(PowerOn(load_supported=True)).accepted
    rig.turn(0.3)
    rig.key(Key.Key_L)
    rig.type("force_N", "120")
    rig.key(Key.Key_Return)
    rig.turn()
    assert rig.model.profile.limits.force.limited == 120.0
    rig.type("force_N", "130")
    rig.key(Key.Key_Return)
    assert not rig.panel.asking and "power off first" in rig.panel.text.text()
    assert len(rig.asked) == 1
    rig.bench.request(PowerOff())
    rig.turn(0.3)
    rig.key(Key.Key_Return)
    assert rig.panel.asking


@pytest.mark.parametrize("text", ["much", "-3", "0", "nan", "inf"])
def test_what_is_no_value_is_named(rig: Rig, text: str) -> None:
    rig.key(Key.Key_L)
    rig.type("speed_m_s", text)
    rig.key(Key.Key_Return)
    assert rig.panel.text.text().startswith("Speed: ") and not rig.asked


def test_another_size_of_the_window_keeps_the_row_open(rig: Rig) -> None:
    rig.key(Key.Key_L)
    rig.window.swap_theme()
    assert rig.panel.open and not rig.panel.isHidden()


@pytest.mark.parametrize("key", [Key.Key_L, Key.Key_F11])
def test_a_row_at_the_foot_leaves_every_bar_in_sight(rig: Rig, qapp: Any, key: Qt.Key) -> None:
    rig.window.resize(1280, 720)
    rig.window.fit()
    qapp.processEvents()
    rig.key(key)
    qapp.processEvents()
    page = page_as(rig.window, OperatePage)
    row = page.cap if key == Key.Key_L else page.open_house
    assert row.isVisible() and page.bars.height() >= page.bars.sizeHint().height()
    assert page.bars.mapTo(page, page.bars.rect().bottomLeft()).y() <= row.geometry().top()
    assert page.rig.height() >= 130  # in less height springs and nut shrink to a line
    rig.key(Key.Key_F2)
    QTest.mouseClick(row.close_button, Qt.MouseButton.LeftButton)
    rig.window.refresh()
    assert not page.pictures.isHidden()


def test_beside_a_simulated_load_a_row_at_the_foot_leaves_both_drawings(
    tmp_path: Path, qapp: Any, qtbot: Any
) -> None:
    model = OperateModel({"profile": profile_to_dict(PROFILE), "simulated": True}, 60.0)
    session = LockstepSession(LockstepBench(PROFILE, 1), model)
    session.load = LoadHand(f"ipc://{tmp_path}/none")
    view = OperateView(model, None, tmp_path)
    sizes = sizes_for(1280, 720)
    page = OperatePage(PageContext(model, session, view, THEMES["light"], sizes, tmp_path, print))
    qtbot.addWidget(page)
    page.resize(1280, 562)  # the page's size in a window of 1280 by 720
    page.show()
    assert page.cap is not None and page.environment is not None
    page.cap.toggle()
    for _ in range(2):
        qapp.processEvents()
        page.refresh()
    qapp.processEvents()
    for part in (page.rig, page.load, page.environment, page.bars):
        assert part.isVisible() and part.height() >= part.minimumSizeHint().height()
    assert page.rig.height() >= 130
    assert page.bars.geometry().bottom() < page.cap.geometry().top()
    session.load.close()
