"""The Calibrate page, mostly on a simulated rig in lockstep, by keys and mouse."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QLabel

from drivers.base import PowerStage
from hil.calibration.result import CalibrationFinding
from hil.core.samples import COLUMNS, INDEX, State
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client
from hil.profile.loader import find_profile, load_profile
from tests.hil.calibration.made_up import made_up
from tests.ui.person_at_calibration import PATIENCE_MS, Person, quick
from tests.ui.person_at_window import page_as
from ui import cli
from ui.commands.answers import BAD_INPUT
from ui.dashboard.bench.session import Session
from ui.dashboard.calibrate import CalibratePage
from ui.dashboard.calibrate.setup import Setup
from ui.dashboard.calibrate_picture import save_calibrate_picture
from ui.dashboard.guided import PageOperator, Question
from ui.dashboard.widgets.theme import sizes_for
from ui.dashboard.window import Window

pytestmark = pytest.mark.real_time


@pytest.fixture
def person(qtbot, monkeypatch, tmp_path):
    sitting = Person(qtbot, monkeypatch, tmp_path)
    yield sitting
    sitting.window.close()


def test_a_guided_calibration_by_keyboard_alone(person, monkeypatch):
    calibrating, page = person.calibrating, person.page
    quick(person, monkeypatch)
    person.press(Qt.Key.Key_H)
    assert not calibrating.alone
    person.type("weights", "5 kg")
    person.type("series", "1")
    person.away()
    assert page.form.sweep.hasFocus()
    person.press(Qt.Key.Key_Space, Qt.Key.Key_Tab, Qt.Key.Key_Space, Qt.Key.Key_G)
    asked, marked = [], []
    while calibrating.running:
        # The button that continues has the focus: Enter is enough.
        person.until(lambda: page.ask.done.hasFocus() or not calibrating.running)
        if not calibrating.running:
            break
        asked.append(page.ask.text.text())
        marked.append(page.plan.text().partition("▶")[2].partition("</b>")[0][-5:])
        question = calibrating.question
        person.press(Qt.Key.Key_Return)
        person.until(lambda q=question: calibrating.question is not q)
    assert "Hang 5 kg." in asked and any(text.startswith("Remove the balance") for text in asked)
    assert person.rig.hung == [0.0, 5.0]
    assert marked[asked.index("Hang 5 kg.")] == " 5 kg"
    result = calibrating.result
    assert result is not None and len(result.points) == page.points.rowCount() > 4
    assert all(page.points.item(row, 5).text() for row in range(page.points.rowCount()))
    assert {"only_rising", "few_series"} <= {f.code for f in result.findings}
    assert "take the weights off one by one" in page.law_words.toPlainText()
    assert not page.outcome.accept.isEnabled()
    person.press(Qt.Key.Key_Delete)
    assert calibrating.phase == "set-up" and "nothing was kept" in person.said
    assert not calibrating.kept.folder.exists()


def test_another_law_is_taken_and_the_first_one_again(person):
    calibrating, page = person.calibrating, person.page
    odd = CalibrationFinding("stopped", "the bench stopped", "clear the cause", "warning")
    first = made_up(findings=(odd,), raw=False)
    points = tuple(dataclasses.replace(p, wanted_m=p.output_position_m) for p in first.points)
    first = dataclasses.replace(first, points=points)
    calibrating.come(first)
    person.press(Qt.Key.Key_Comma)
    person.until(lambda: calibrating.fit.law == "line" and not calibrating.busy)
    assert page.outcome.law.currentText() == "straight line"
    straight = page.outcome.band.text()
    # Findings of the procedure itself stay.
    assert "the bench stopped" in page.law_words.toPlainText()
    person.press(Qt.Key.Key_Comma)
    person.until(lambda: calibrating.fit.law == "quadratic" and not calibrating.busy)
    assert page.outcome.band.text() != straight
    calibrating.choose_law("auto")
    assert calibrating.result is first


def test_what_cannot_be_done_ends_it_in_words(person):
    calibrating, page = person.calibrating, person.page
    calibrating.set_alone(False)
    person.press(Qt.Key.Key_G)
    person.until(page.ask.cannot.isVisible)
    QTest.mouseClick(page.ask.cannot, Qt.MouseButton.LeftButton)
    person.until(lambda: not calibrating.running)
    assert "not done: Take the weights off" in person.said
    assert calibrating.phase == "set-up" and page.begin.isEnabled()


def test_a_number_is_suggested_in_the_unit_that_it_is_asked_in(person):
    operator = person.calibrating.run.operator = PageOperator(None, alone=False)
    operator.question = Question("read", "How far is it?", "mm", "m", suggestion=0.0031)
    person.page.ask.refresh()
    assert (person.page.ask.entry.text(), person.page.ask.unit.text()) == ("3.1", "mm")
    person.calibrating.run.operator = None


def test_aborting_leaves_the_rig_without_power(person):
    calibrating = person.calibrating
    person.press(Qt.Key.Key_G)
    person.until(lambda: calibrating.points)
    person.press(Qt.Key.Key_B)
    person.until(lambda: not calibrating.running)
    assert "aborted by the operator" in person.said
    row = person.rig.bench.last_row
    assert row[INDEX["power_stage"]] == PowerStage.OFF
    assert row[INDEX["state"]] == State.STOPPED


@pytest.mark.parametrize(
    ("key", "text", "fix"),
    [
        ("weights", "heavy", "in kg, separated"),
        ("weights", "-2", "above 0"),
        ("series", "0", "1 to 20"),
        ("gravity", "98", "9.76 to 9.84"),
        ("room", "warm", "or nothing"),
        ("u_load_arm", "-1", "0 or more"),
    ],
)
def test_a_wrong_entry_is_marked_and_nothing_begins(person, key, text, fix):
    person.type(key, text)
    form = person.page.form
    assert fix in form.wrong.text() and form.wrong.isVisible()
    assert [k for k, field in form.fields.items() if field.property("wrong")] == [key]
    person.window.refresh()
    assert not person.page.begin.isEnabled()
    person.away()
    person.press(Qt.Key.Key_G)
    assert not person.calibrating.running


def test_a_level_rig_has_no_use_for_weights():
    level = load_profile("bench_slide")
    level = level.model_copy(update={"rig": level.rig.model_copy(update={"vertical": False})})
    setup = Setup(level)
    assert setup.kinds == ("cell",) and not setup.wanted("weights")
    assert setup.problem is not None and "k = 2" in str(setup.problem)
    setup.type("u_cell", "0.1")
    assert setup.problem is None and setup.options().loads == "cell"
    upright = Setup(load_profile("bench_slide"))
    assert upright.problem is None and upright.kinds == ("rod", "cell")


def test_a_calibration_by_load_cell_by_keyboard_alone(person, monkeypatch):
    """Another kind shows its own fields instead of the weights', and readings are typed."""
    calibrating, page = person.calibrating, person.page
    quick(person, monkeypatch)
    person.press(Qt.Key.Key_H)
    page.form.loads.setFocus()
    person.press(Qt.Key.Key_Down)
    form = page.form
    shown = {key for key, field in form.fields.items() if field.isVisible()}
    assert shown == {"forces", "series", "room", "note", "u_cell", "u_cell_zero"}
    assert "half of the expanded one (k = 2)" in form.wrong.text()
    assert form.fields["u_cell"].property("wrong")
    person.type("u_cell", "0.1")
    person.type("forces", "300, none")
    assert "above 0 in N" in form.wrong.text()
    person.type("forces", "300, 150")
    person.type("series", "1")
    assert form.wrong.text() == ""
    person.away()
    assert form.sweep.hasFocus()
    person.press(Qt.Key.Key_Space, Qt.Key.Key_Tab, Qt.Key.Key_Space, Qt.Key.Key_G)
    assert calibrating.running, person.said
    typed, asked = ["0", "", "many", "0.15", "151", "299,4"], []
    while calibrating.running:
        person.until(lambda: calibrating.question is not None or not calibrating.running)
        question = calibrating.question
        if question is None:
            break
        person.until(lambda q=question: page.ask._asked is q)
        asked.append(page.ask.text.text())
        if question.kind == "read":
            assert page.ask.entry.hasFocus() and page.ask.unit.text() == "N"
            person.press(Qt.Key.Key_Delete)
            QTest.keyClicks(page.ask.entry, typed.pop(0))
            person.press(Qt.Key.Key_Return)
            if page.ask.wrong.isVisible():  # not a number: asked again, with the reason
                assert "number" in page.ask.wrong.text() or "quantity" in page.ask.wrong.text()
                continue
        else:
            person.press(Qt.Key.Key_Return)
        person.until(lambda q=question: calibrating.question is not q)
    assert not typed
    assert any("kilonewtons were typed for newtons" in text for text in asked)
    result = calibrating.result
    assert result is not None and result.loads == "cell"
    assert [p.load_N for p in result.points] == [0.0, 151.0, 299.4]
    assert person.rig.hung == []


def test_a_weight_too_heavy_for_the_rig_is_refused_with_its_fix(person):
    person.type("weights", "25")
    person.away()
    person.press(Qt.Key.Key_G)
    assert not person.calibrating.running
    assert "give its mass in kilograms" in person.said


@pytest.mark.parametrize("size", [(1200, 680), (1280, 720), (1920, 1080)])
def test_nothing_is_clipped(person, size):
    window = person.window
    window.resize(*size)
    person.until(lambda: window.width() == size[0] and window.sizes == sizes_for(*size))
    page = window.page
    found = CalibrationFinding(
        "wrong_order",
        "weights were hung in a different order than prompted: "
        "2.5 kg was named and 5 kg hung, 5 kg was named and 2.5 kg hung",
        "hang them as prompted, the lightest first, and repeat",
    )

    def check():
        window.refresh()
        QTest.qWait(30)
        window.refresh()
        for label in page.findChildren(QLabel):
            if label.isVisible() and label is page.ask.text:
                room = label.contentsRect()
                box = label.fontMetrics().boundingRect(
                    room, int(Qt.TextFlag.TextWordWrap | Qt.AlignmentFlag.AlignLeft), label.text()
                )
                assert box.height() <= room.height() and box.width() <= room.width(), label.text()
            elif label.isVisible() and label.wordWrap():
                assert label.heightForWidth(label.width()) <= label.height() + 1, label.text()
            elif label.isVisible():
                wide = label.fontMetrics().horizontalAdvance(label.text())
                assert wide <= label.width() + 2, label.text()
        for button in page.findChildren(QAbstractButton):
            if button.isVisible():
                assert button.width() >= button.minimumSizeHint().width() - 1, button.text()
        for widget in (page.ask, page.faces, page.views):
            corner = widget.geometry().bottomRight()
            assert corner.x() <= size[0] and corner.y() <= size[1]

    check()
    page.calibrating.come(made_up(findings=(found,), raw=False))
    check()
    page.show_view(0)
    check()
    table = page.points
    table.item(table.rowCount() - 1, table.columnCount() - 1).setText("not settled")
    check()
    last = table.columnCount() - 1
    end = table.horizontalHeader().sectionViewportPosition(last) + table.sizeHintForColumn(last)
    assert end <= table.viewport().width()
    assert table.width() <= 1.8 * page.plots.width()
    page.calibrating.discard()
    check()


def test_a_picture_shows_what_came_of_it(qapp, tmp_path):
    rows = np.zeros((200, len(COLUMNS)))
    rows[:, INDEX["time_s"]] = np.arange(200) / 1e3
    rows[:, INDEX["power_stage"]] = PowerStage.OFF
    result = made_up(raw=False)
    for view in (0, 1):
        path = tmp_path / f"{view}.png"
        save_calibrate_picture(result, rows, path, view=view, size=(1280, 800))
        image = QImage(str(path))
        assert (image.width(), image.height()) == (1280, 800)
        # Many colours: the plot shows points or lines, not only paper or one ink.
        colours = {image.pixel(x, y) for x in range(400, 800, 2) for y in range(330, 640, 2)}
        assert len(colours) > 50
    with pytest.raises(OSError, match="does its folder exist"):
        save_calibrate_picture(result, rows, tmp_path / "none" / "x.png", size=(1280, 800))


@pytest.mark.parametrize(
    ("more", "fix"),
    [
        (["--picture", "x.png"], "goes with --lockstep"),
        (["--lockstep", "--picture", "none/x.png"], "folder 'none' does not exist"),
    ],
)
def test_a_picture_that_cannot_be_drawn_is_refused_before(more, fix, capsys):
    code = cli.main(["calibrate", "--profile", "footplate_trainer", *more])
    assert code == BAD_INPUT and fix in capsys.readouterr().err


@pytest.mark.pages("Operate", "Calibrate")
def test_esc_stops_a_live_one_and_ends_it(qtbot, tmp_path):
    profile = Path(find_profile("footplate_trainer"))
    with start_bench(
        profile, BenchOptions(runs_directory=tmp_path / "runs", recorder=False)
    ) as bench:
        session = Session(Client.connect(bench.link_directory, name="dashboard"))
        window = Window(session.model, session, runs_directory=tmp_path / "runs")
        qtbot.addWidget(window)
        window.show()
        window.activateWindow()
        model = session.model
        qtbot.waitUntil(lambda: model.in_control and window.isActiveWindow(), timeout=PATIENCE_MS)
        QTest.keyClick(window, Qt.Key.Key_F4)
        page = page_as(window, CalibratePage)
        assert page.isVisible()
        calibrating = page.calibrating

        def told(condition):
            def met():
                assert condition(), (page.ask.text.text(), list(model.notices))

            qtbot.waitUntil(met, timeout=PATIENCE_MS)
            window.refresh()

        QTest.keyClick(window.focusWidget(), Qt.Key.Key_G)
        told(lambda: model.state is State.RUNNING and calibrating.run.settling is not None)
        assert model.holder == "calibrate" and not window.strip.power.isEnabled()
        assert "Settling under no load" in page.ask.text.text()
        assert len(calibrating.run.live) > 10
        QTest.keyClick(window.focusWidget() or window, Qt.Key.Key_Escape)
        told(lambda: not calibrating.running and model.in_control)
        assert model.value("power_stage") == PowerStage.OFF
        assert model.state is State.STOPPED and model.last_stop.startswith("Operator")
        assert "stopped by the operator" in page.ask.text.text()
        window.close()
