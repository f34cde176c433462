"""One window for several axes: their bar, the key to switch, one stop, heartbeats for all."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtTest import QTest

from hil.core import BehaviourCode, State
from hil.profile import load_profile, profile_to_dict
from tests.ui.made_rows import make_rows
from ui.dashboard.axes_bar import axis_texts
from ui.dashboard.axes_window import AxesWindow
from ui.dashboard.bench import OperateModel
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate", "Runs")
NOW_S = 1.0


class FakeSession:
    """Session whose link the test replaces."""

    def __init__(self, name: str, log: list[str]) -> None:
        profile = profile_to_dict(load_profile("footplate_trainer"))
        self.model = OperateModel({"profile": profile, "simulated": True}, history_s=10.0)
        self.model.in_control = True
        self.name, self.log, self.load, self.profile_file = name, log, None, None
        self.on_accepted: list[Any] = []
        self.beats = self.pumps = 0
        self.closed = False

    def listen(self, *_: Any) -> None:
        """Do nothing: no data arrives."""

    def pump(self) -> None:
        self.pumps += 1
        self.beats += 1
        self.log.append(f"pump {self.name}")

    def heartbeat(self) -> None:
        self.beats += 1

    def stop(self) -> None:
        self.log.append(f"stop {self.name}")

    def power_on(self) -> None:
        self.log.append(f"power on {self.name}")

    def close(self) -> None:
        self.closed = True

    def __getattr__(self, name: str) -> Any:
        return lambda *_a, **_k: self.log.append(f"{name} {self.name}")

    def feed(self, state: State, **values: Any) -> None:
        self.model.feed([make_rows(200, state=state, **values)], NOW_S)


class Bench:
    """Two axes and a person at their window."""

    def __init__(
        self, qtbot: Any, tmp_path: Any, width: int = 1280, height: int = 720, more: str = ""
    ) -> None:
        self.log: list[str] = []
        names = ("heel", "toe", *more.split())
        self.sessions = {name: FakeSession(name, self.log) for name in names}
        self.heel, self.toe = self.sessions["heel"], self.sessions["toe"]
        self.heel.feed(State.DE_ENERGISED, spring_force_N=3.0)
        self.toe.feed(
            State.RUNNING, spring_force_N=211.0, behaviour=int(BehaviourCode.CONSTANT_FORCE)
        )
        windows = {
            name: Window(session.model, session, runs_directory=tmp_path)  # type: ignore[arg-type]
            for name, session in self.sessions.items()
        }
        self.window = AxesWindow("two axes", windows)
        qtbot.addWidget(self.window)
        self.window.resize(width, height)
        self.window.show()
        self.window.activateWindow()

    def press(self, key: Qt.Key, modifier: Any = Qt.KeyboardModifier.NoModifier) -> None:
        QTest.keyClick(self.window.focusWidget() or self.window, key, modifier)

    def stops(self) -> list[str]:
        return [entry for entry in self.log if entry.startswith("stop")]


@pytest.fixture
def bench(qtbot: Any, tmp_path: Any) -> Any:
    bench = Bench(qtbot, tmp_path)
    yield bench
    bench.window.close()


def test_the_bar_shows_state_force_and_power_of_every_axis(bench: Bench) -> None:
    heel, toe = bench.window.bar.buttons.values()
    assert heel.text().startswith("heel  ·  De-energised  ·  power off  ·  3 N")
    assert toe.text().startswith("toe  ·  Running  ·  POWER ON  ·  211 N  ·  constant force")
    assert heel.isChecked() and not toe.isChecked()
    bench.toe.feed(State.STOPPED)
    bench.window.refresh()
    assert "STOPPED" in toe.text() and toe.property("trouble")
    assert not heel.property("trouble")


def test_a_key_shows_the_next_axis_and_a_click_the_one_clicked(bench: Bench) -> None:
    ctrl = Qt.KeyboardModifier.ControlModifier
    assert bench.window.windows["heel"].isVisible()
    bench.press(Qt.Key.Key_Tab, ctrl)
    assert bench.window.axis == "toe" and bench.window.bar.buttons["toe"].isChecked()
    assert bench.window.windows["toe"].isVisible()
    assert not bench.window.windows["heel"].isVisible()
    bench.press(Qt.Key.Key_Tab, ctrl)
    assert bench.window.axis == "heel"
    QTest.mouseClick(bench.window.bar.buttons["toe"], Qt.MouseButton.LeftButton)
    assert bench.window.axis == "toe"
    QTest.mouseClick(bench.window.bar.following, Qt.MouseButton.LeftButton)
    assert bench.window.axis == "heel"


def test_each_axis_has_its_own_pages(bench: Bench) -> None:
    bench.press(Qt.Key.Key_F5)
    assert bench.window.windows["heel"].entries[1].title == "Runs"
    assert bench.window.windows["heel"].page_number == 1
    bench.window.next_axis()
    assert bench.window.windows["toe"].page_number == 0
    bench.press(Qt.Key.Key_F5)
    assert bench.window.windows["toe"].page_number == 1


def test_power_is_asked_of_the_axis_that_is_shown(bench: Bench) -> None:
    bench.press(Qt.Key.Key_P)
    bench.press(Qt.Key.Key_Y)
    assert "power_on heel" in bench.log or "power on heel" in bench.log
    assert not any("power" in entry and entry.endswith("toe") for entry in bench.log)


@pytest.mark.parametrize("axis", ["heel", "toe"])
def test_esc_stops_every_axis_before_anything_else(bench: Bench, axis: str) -> None:
    bench.window.show_axis(axis)
    bench.log.clear()
    bench.press(Qt.Key.Key_Escape)
    assert bench.log[:2] == ["stop heel", "stop toe"]
    assert bench.stops() == ["stop heel", "stop toe"]


def test_esc_stops_every_axis_from_the_bar_and_so_does_the_stop_button(bench: Bench) -> None:
    bench.window.bar.buttons["toe"].setFocus()
    bench.press(Qt.Key.Key_Escape)
    assert bench.stops() == ["stop heel", "stop toe"]
    bench.log.clear()
    button = bench.window.windows["heel"].strip.stop_button
    QTest.mouseClick(button, Qt.MouseButton.LeftButton)
    assert bench.stops() == ["stop heel", "stop toe"]


def test_keys_of_the_pages_work_while_the_bar_has_the_focus(bench: Bench) -> None:
    bench.window.bar.buttons["heel"].setFocus()
    bench.press(Qt.Key.Key_P)
    assert bench.window.shown.strip.asking


def test_heartbeats_of_every_axis_go_on_whichever_is_shown(bench: Bench, qtbot: Any) -> None:
    for axis in ("heel", "toe"):
        bench.window.show_axis(axis)
        before = {name: session.pumps for name, session in bench.sessions.items()}
        qtbot.waitUntil(
            lambda before=before: all(
                session.pumps > before[name] + 2 for name, session in bench.sessions.items()
            ),
            timeout=5000,
        )


def test_building_one_axis_sends_the_heartbeats_of_all(bench: Bench) -> None:
    before = bench.toe.beats
    bench.window.windows["heel"].build()
    assert bench.toe.beats > before


def test_nothing_is_rebuilt_while_another_axis_is_powered(bench: Bench) -> None:
    theme = bench.window.shown.theme.name
    bench.press(Qt.Key.Key_F9)
    assert bench.window.shown.theme.name == theme  # the toe axis is powered
    bench.toe.feed(State.DE_ENERGISED)
    bench.press(Qt.Key.Key_F9)
    assert {window.theme.name for window in bench.window.windows.values()} == {"dark"}


def test_the_loss_of_one_axis_is_reported_on_all(bench: Bench) -> None:
    bench.window.refresh()
    bench.toe.model.tick(NOW_S + 0.6)  # no data arrived
    bench.heel.model.feed([make_rows(10, state=State.DE_ENERGISED)], NOW_S + 0.6)
    bench.window.refresh()
    toe = bench.window.bar.buttons["toe"]
    assert "NO ANSWER" in toe.text() and toe.property("trouble")
    assert any("axis 'toe' does not answer" in text for _, text in bench.heel.model.notices)


def test_open_house_is_refused(bench: Bench) -> None:
    house = bench.window.shown.open_house
    assert not house.arm("abcdef") and "for one axis" in house.text


def test_closing_ends_every_session(bench: Bench) -> None:
    bench.window.close()
    assert bench.heel.closed and bench.toe.closed


def test_power_that_stays_on_is_in_the_bar(bench: Bench) -> None:
    bench.toe.model.left_under_power = True
    assert axis_texts("toe", bench.toe.model)[1] == "POWER IS STILL ON"


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1440, 900)])
def test_the_bar_leaves_the_pages_their_room(
    qtbot: Any, tmp_path: Any, width: int, height: int
) -> None:
    bench = Bench(qtbot, tmp_path, width, height)
    window = bench.window
    assert window.width() == width and window.height() == height
    assert window.shown.height() >= window.shown.minimumHeight()
    for button in window.bar.buttons.values():
        assert "…" not in button.text()
    window.close()


def test_the_text_of_the_axis_shown_fits_its_button(qtbot: Any, tmp_path: Any) -> None:
    """It is bold then, and wider."""
    bench = Bench(qtbot, tmp_path, more="ball")
    for name in bench.sessions:
        for room in range(300, 420, 4):
            button = bench.window.bar.buttons[name]
            button.setFixedWidth(room)
            button.refresh()
            font = button.font()
            font.setBold(True)
            # Padding and border of both sides.
            assert QFontMetricsF(font).horizontalAdvance(button.text()) <= room - 2 * (9 + 2)
    bench.window.close()
