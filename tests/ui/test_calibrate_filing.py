"""A finished calibration: filed, used, compared, refused, by keyboard."""

import dataclasses
import shutil

import numpy as np
import pytest
from PySide6.QtCore import Qt

from drivers.base import PowerStage
from hil.calibration.calibration_file import list_calibrations
from hil.calibration.result import CalibrationFinding
from hil.core.requests import UseCalibration
from hil.core.samples import COLUMNS, INDEX
from hil.profile.loader import SHIPPED, load_profile
from tests.hil.calibration.made_up import PROFILE, made_up
from tests.ui.person_at_calibration import Person, Rows, keep
from ui.dashboard.bench.health import health
from ui.dashboard.bench.readout_texts import readouts

pytestmark = pytest.mark.real_time


@pytest.fixture
def person(qtbot, monkeypatch, tmp_path):
    sitting = Person(qtbot, monkeypatch, tmp_path)
    yield sitting
    sitting.window.close()


def test_a_sound_one_is_filed_and_used_at_once(person):
    calibrating, page = person.calibrating, person.page
    person.type("note", "new springs")
    person.type("room", "21,5")
    person.away()
    calibrating.come(made_up(zero=2047.0))
    person.window.refresh()
    assert page.outcome.accept.isEnabled()
    person.press(Qt.Key.Key_A)
    person.until(lambda: "in use now" in calibrating.message)
    (file,) = list_calibrations(calibrating.kept.folder)
    assert file.content.note == "new springs"
    assert file.content.conditions["room_degC"] == 21.5
    assert file.path.with_suffix(".html").exists()
    assert person.rig.bench.bench.calibration.newest.identity == file.identity
    assert person.model.profile.calibration.identity == file.identity
    person.until(lambda: page.kept.rowCount() == 1)
    assert "in force" in page.kept.item(0, 4).text()


def test_ranges_follow_the_calibration_in_force(person):
    stiffness = person.model.forms[2].entry("stiffness")
    before = stiffness.bound
    stiffer = made_up(stiffer=1.1, raw=False).calibration
    person.session.ask(UseCalibration(calibration=stiffer.model_dump(mode="json")))
    assert stiffness.bound == pytest.approx(1.1 * before)


def test_a_tare_that_is_set_is_seen_and_taken_back(person):
    bench = person.rig.bench.bench
    bench.tare_N = 12.3
    person.press(Qt.Key.Key_F2)
    person.session.feed([{"kind": "heartbeat", "tare_N": 12.3}])
    person.window.refresh()
    button = person.window.page.chart_page.tare
    assert button.text() == "Tare off" and button.isChecked() and "12.3 N" in button.toolTip()
    assert "tare 12" in readouts(person.model)[0].below
    person.press(Qt.Key.Key_Z)
    assert bench.tare_N == 0.0 and button.text() == "Tare" and not button.isChecked()


def test_one_of_a_profile_of_ones_own_is_written_into_it(qtbot, monkeypatch, tmp_path):
    own = tmp_path / "rig" / "mine.yaml"
    own.parent.mkdir()
    shutil.copy(SHIPPED / "footplate_trainer.yaml", own)
    sitting = Person(qtbot, monkeypatch, tmp_path, profile_file=own)
    sitting.calibrating.come(made_up(raw=False))
    sitting.press(Qt.Key.Key_A)
    sitting.until(lambda: "Written into" in sitting.calibrating.message)
    (file,) = list_calibrations(own.parent / "calibrations")
    assert load_profile(own).calibration == file.calibration
    assert list(own.parent.glob("mine.yaml.before-*"))
    sitting.window.close()


def test_one_with_a_finding_is_evidence_and_not_used(person):
    calibrating, page = person.calibrating, person.page
    found = CalibrationFinding("pan_forgotten", "the pan is missing", "hang the pan")
    calibrating.come(made_up(findings=(found,)))
    assert person.said == "The pan is missing. Hang the pan."
    assert not page.outcome.accept.isEnabled() and "hang the pan" in page.outcome.why.text()
    assert "hang the pan" in page.law_words.toPlainText()
    person.press(Qt.Key.Key_A)
    assert calibrating.result is not None and not calibrating.busy
    person.press(Qt.Key.Key_Insert)
    person.until(lambda: "Kept as evidence" in calibrating.message)
    assert person.model.profile.calibration.identity == ""
    assert len(list_calibrations(calibrating.kept.folder)) == 1
    person.until(lambda: page.kept.rowCount() == 1)
    # It cannot be used later either.
    person.press(Qt.Key.Key_3, Qt.Key.Key_U)
    assert "the pan is missing" in person.said


def test_a_law_that_the_bench_would_refuse_cannot_be_accepted(person):
    result = made_up()
    law = result.calibration.spring_law.model_copy(update={"outer_rate": 20e3})
    calibration = result.calibration.model_copy(update={"spring_law": law})
    person.calibrating.come(dataclasses.replace(result, calibration=calibration))
    person.window.refresh()
    assert not person.page.outcome.accept.isEnabled()
    assert "calibration.spring_law.outer_rate" in person.page.outcome.why.text()


def test_earlier_ones_are_compared_and_used_by_keyboard(person):
    calibrating, page = person.calibrating, person.page
    folder = calibrating.kept.folder
    old = keep(folder, note="old one", zero=2048.0)
    new = keep(folder, note="moved by a knock", zero=2090.0, raw=False)
    other = PROFILE.model_copy(update={"name": "another rig"})
    foreign = keep(folder, profile=other, raw=False)
    person.press(Qt.Key.Key_F2, Qt.Key.Key_F4)
    person.until(lambda: page.kept.rowCount() == 3)
    assert page.kept.hasFocus()
    person.choose(old.path)
    person.press(Qt.Key.Key_J)
    assert page.kept.item(page.kept.currentRow(), 4).text().startswith("A")
    person.choose(new.path)
    person.until(lambda: calibrating.kept.compared is not None)
    words = page.kept_words.toPlainText()
    assert "B less A" in words and "42.0 counts" in words and "differ by up to" in words
    assert page.compared.isVisible()
    person.choose(foreign.path)
    person.until(lambda: "cannot be compared" in page.kept_words.toPlainText().lower())
    assert not page.compared.isVisible()
    person.press(Qt.Key.Key_U)
    assert "another rig" in person.said and calibrating.wrong
    person.choose(old.path)
    # The file changes after the list was read.
    samples = old.path.with_suffix(".parquet")
    whole = samples.read_bytes()
    samples.write_bytes(whole[:-1])
    person.press(Qt.Key.Key_J, Qt.Key.Key_U)
    person.until(lambda: "were changed after they were written" in calibrating.message)
    samples.write_bytes(whole)
    person.press(Qt.Key.Key_U)
    person.until(lambda: "In use now" in calibrating.message)
    assert person.model.profile.calibration.identity == old.identity


def test_a_zero_that_has_moved_and_an_old_calibration_are_reported(person):
    model, watch = person.model, person.calibrating.watch
    rows = np.zeros((700, len(COLUMNS)))
    rows[:, INDEX["time_s"]] = np.arange(700) / 1e3
    rows[:, INDEX["deflection_counts"]] = 2048.0
    rows[:, INDEX["power_stage"]] = PowerStage.OFF
    person.press(Qt.Key.Key_O)
    person.session.feed([Rows(rows)])
    assert "no sign" in watch.zero_text and not model.drift
    person.press(Qt.Key.Key_O)
    rows[:, INDEX["deflection_counts"]] = 2078.0
    person.session.feed([Rows(rows)])
    assert [w.code for w in model.drift] == ["zero_moved"]
    assert "+30.0 counts" in watch.zero_text
    assert "zero has moved" in [word.text for word in health(model) if not word.well]
    assert "+30.0 counts" in person.said
    # Another calibration in force restarts the watch for drift; this calibration is old.
    old = PROFILE.calibration.model_copy(update={"dated": "2020-01-01"})
    person.session.ask(UseCalibration(calibration=old.model_dump(mode="json")))
    assert [w.code for w in model.drift] == ["old"]
    assert "calibration old" in [word.text for word in health(model) if not word.well]
