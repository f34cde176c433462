"""Presets of behaviours, undo, and the preview of a waveform, all before Apply."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from hil.core import Apply, Behaviour, ConstantForce, Limit, VirtualSpring, Waveform
from hil.profile import load_profile
from hil.sequences import wave_setpoints
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel, Session, limited_words
from ui.dashboard.operate import OperatePage
from ui.dashboard.operate.presets import Presets, name_of
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

SPRING = VirtualSpring(rest_m=0.02, stiffness_N_m=20e3, damping_N_s_m=300.0, bias_N=15.0)


class Accepting(Session):
    """Session without a link that seems to accept every request."""

    def __init__(self) -> None:
        self.on_accepted = []

    def apply(self, behaviour: Behaviour, load_may_move: bool = False) -> None:
        for told in self.on_accepted:
            told(Apply(behaviour=behaviour, load_may_move=load_may_move))


def test_a_preset_is_kept_brought_by_key_and_found_again(model, tmp_path: Path, qapp) -> None:
    window = Window(model, None, runs_directory=tmp_path / "runs")
    window.resize(1280, 720)
    window.show()
    page = page_as(window, OperatePage)
    presets = window.view_of("Operate").presets
    model.choose(3)
    model.form.entry("stiffness").value = 20e3
    model.form.entry("rest").value = 0.031
    kept = model.form.build()
    QTest.keyClick(window, Qt.Key.Key_Insert)
    assert presets.kept[6].behaviour == kept
    window.refresh()
    assert page.presets.buttons[6].text() == "6  spring 20 N/mm"
    assert not page.presets.buttons[7].isVisibleTo(page)
    model.form.entry("stiffness").value = 10e3
    QTest.keyClick(window, Qt.Key.Key_1)
    assert model.chosen == 1
    QTest.keyClick(window, Qt.Key.Key_6)
    assert model.chosen == 3 and model.form.build() == kept
    QTest.keyClick(window, Qt.Key.Key_7)  # no preset with this number
    assert model.chosen == 3
    window.close()
    again = Presets(model, None, tmp_path / "runs")
    assert again.kept == presets.kept


def test_the_way_back_brings_what_was_applied_before(model, tmp_path: Path) -> None:
    session = Accepting()
    presets = Presets(model, session, tmp_path / "runs")
    assert not presets.back()
    session.apply(SPRING)
    session.apply(ConstantForce(force_N=30.0))
    assert presets.may_go_back and presets.back()
    assert model.chosen == 3 and model.form.build() == SPRING
    session.apply(SPRING)
    assert presets.back() and model.form.build() == ConstantForce(force_N=30.0)


def test_waveforms_are_kept_with_what_they_move(model, tmp_path: Path) -> None:
    presets = Presets(model, None, tmp_path / "runs")
    model.choose(5)
    model.form.choices[1].value = "rest"
    model.form.entry("amplitude_rest").value = 0.002
    kept = model.form.build()
    slot = presets.keep()
    model.form.choices[1].value = "force"
    assert presets.bring(slot) and model.form.build() == kept
    assert name_of(kept) == "sine 2 mm"


@pytest.mark.parametrize("text", ["", "[]", '{"footplate trainer": {"6": 1}}', "[" * 9999])
def test_a_damaged_file_is_said_and_left_alone(model, tmp_path: Path, text: str) -> None:
    (tmp_path / "presets.json").write_text(text)
    presets = Presets(model, None, tmp_path / "runs")
    assert presets.kept == {} and "cannot be used" in presets.text
    assert presets.keep() == 0 and presets.kept == {}
    assert (tmp_path / "presets.json").read_text() == text


def test_presets_of_other_rigs_stay(model, tmp_path: Path) -> None:
    (tmp_path / "presets.json").write_text('{"other": {"6": {"name": "a"}}}')
    presets = Presets(model, None, tmp_path / "runs")
    assert presets.keep() == 6
    data = json.loads((tmp_path / "presets.json").read_text())
    assert data["other"] == {"6": {"name": "a"}} and model.profile.name in data


def test_the_preview_of_a_waveform_is_what_the_bench_would_ask_for(model, qapp) -> None:
    sine = Waveform(shape="sine", offset=5.0, amplitude=20.0, frequency_Hz=2.0, duration_s=1.0)
    time, values = wave_setpoints(sine, load_profile("footplate_trainer"), 401)
    assert values == pytest.approx(5.0 + 20.0 * np.sin(4 * np.pi * time), abs=1e-6)
    window = Window(model, None)
    window.show()
    deck = page_as(window, OperatePage).deck
    deck.choose(5)
    assert deck.wave is not None and deck.wave.words.endswith("N, 10 s")
    deck.choose(1)
    assert deck.wave is None
    window.close()


def test_a_limit_that_acts_is_reported_with_its_value(model: OperateModel) -> None:
    assert limited_words(model) == ""
    rows = make_rows(500, limited=1 << Limit.FORCE, deflection_m=0.001)
    model.feed([rows], 1.0)
    force = model.profile.limits.force.limited
    assert limited_words(model) == f"force ({force:g} N)"


def test_force_over_deflection_is_shown_by_key_and_by_mouse(model: OperateModel, qapp) -> None:
    window = Window(model, None)
    window.resize(1280, 720)
    window.show()
    page = page_as(window, OperatePage)
    QTest.keyClick(window, Qt.Key.Key_V)
    assert page.pictures.currentWidget() is page.loop
    for n in range(30):
        moved = 1e-3 * np.sin(0.4 * n)
        rows = make_rows(25, start_s=0.025 * n, deflection_m=moved, spring_force_N=120e3 * moved)
        model.feed([rows], 0.1 * n)
        page._repaint_picture()
    assert len(page.loop.points) >= 25
    _, deflection, spring, _ = page.loop.points[-1]
    assert spring == pytest.approx(120.0 * deflection)
    assert page.loop.grab().toImage().allGray() is False
    model.feed([make_rows(25, start_s=60.0)], 9.0)
    page.loop.take()
    assert len(page.loop.points) == 1  # keeps the last 20 s alone
    QTest.mouseClick(page.next_picture, Qt.MouseButton.LeftButton)
    assert page.pictures.currentWidget() is page.load
    window.close()
