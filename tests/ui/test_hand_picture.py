"""Pictures of actions by hand: one for each, beside the text, in both themes."""

from __future__ import annotations

import typing
from typing import Any

import numpy as np
import pytest
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication

from hil.procedures import Drop, Read
from hil.procedures.procedure import Act, Hand
from hil.profile import Lever, Linear, load_profile
from tests.ui.person_at_window import page_as
from ui.dashboard.bringup.page import BringUpPage
from ui.dashboard.calibrate import CalibratePage
from ui.dashboard.guided import HandPicture, PageOperator, Question
from ui.dashboard.guided.hand_picture import DESCRIPTIONS
from ui.dashboard.measure import MeasurePage
from ui.dashboard.widgets import THEMES, sizes_for
from ui.dashboard.window import Window

ACTS = typing.get_args(Act)
READ = typing.get_args(typing.get_type_hints(Read)["quantity"])
SLIDE = load_profile("bench_slide").rig
RIGS = {
    "lever": load_profile("footplate_trainer").rig,
    "standing": SLIDE,
    "lying": SLIDE.model_copy(update={"vertical": False}),
}


def pixels(rig: Lever | Linear, name: str, amount: float = 1.0, theme: str = "light") -> np.ndarray:
    picture = HandPicture(rig, THEMES[theme], sizes_for(1280, 720))
    picture.show_for(Question("act", "Do it.", picture=name, amount=amount))
    picture.resize(picture.width(), 120)
    image = picture.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    return np.frombuffer(image.constBits(), np.uint32).reshape(image.height(), -1).copy()


def test_every_action_and_every_reading_has_one() -> None:
    assert set(DESCRIPTIONS) == {*ACTS, *READ, "hang", "take_off"}


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("name", RIGS)
def test_each_differs_and_none_is_cut(qapp: QApplication, name: str, theme: str) -> None:
    rig = RIGS[name]
    seen: dict[bytes, str] = {}
    for action in DESCRIPTIONS:
        drawn = pixels(rig, action, theme=theme)
        other = seen.setdefault(drawn.tobytes(), action)
        # Holding and pulling by a balance look alike: only the number differs.
        assert other == action or {other, action} == {"push_load", "balance_N"}
        ground = drawn[0, 0]
        edges = np.concatenate([drawn[0], drawn[-1], drawn[:, 0], drawn[:, -1]])
        assert (edges == ground).all(), action
        assert (drawn != ground).mean() > 0.05, action


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("action", ["turn_screw", "push_load"])
def test_the_sign_is_the_direction(qapp: QApplication, name: str, action: str) -> None:
    assert (pixels(RIGS[name], action, 1.0) != pixels(RIGS[name], action, -1.0)).any()


def test_a_procedure_s_question_names_its_picture() -> None:
    asked: list[Question] = []

    class Noting(PageOperator):
        def _ask(self, question: Question, *_: object, **__: object) -> bool:
            asked.append(question)
            return True

    operator = Noting(None, alone=False)
    operator.act(Hand("turn_screw", "Turn it.", -0.25))
    operator.hang(2.5)
    operator.hang(0.0)
    operator.drop(Drop(5.0, 0.01))
    operator.read(Read("How far?", "output_position_m"))
    assert [(question.picture, question.amount) for question in asked] == [
        ("turn_screw", -0.25),
        ("hang", 2.5),
        ("take_off", 0.0),
        ("hang", 5.0),
        ("output_position_m", 0.0),
    ]


@pytest.mark.parametrize(
    ("title", "kind"),
    [("Bring-up", BringUpPage), ("Measure", MeasurePage), ("Calibrate", CalibratePage)],
)
def test_it_stands_beside_the_words(qapp: QApplication, model, title: str, kind: type) -> None:
    window = Window(model)
    window.resize(1280, 720)
    window.fit()
    window.show()
    window.show_page(title)
    page: Any = page_as(window, kind)
    prompt = page.ask
    operator = PageOperator(None, alone=False)
    if title == "Calibrate":
        page.calibrating.run.operator = operator
    else:
        page.guided.operator = operator
    words = "Turn the shaft slowly by 90 degrees clockwise, seen facing the motor's shaft end."
    for picture in ("turn_screw", ""):
        operator.question = Question("act", words, picture=picture, amount=0.25)
        for _ in range(3):
            QApplication.processEvents()
            page.refresh()
        assert prompt.picture.isVisible() == bool(picture)
    operator.question = Question("act", words, picture="turn_screw", amount=0.25)
    for _ in range(3):
        QApplication.processEvents()
        page.refresh()
    assert prompt.picture.height() >= 60
    assert prompt.picture.x() >= prompt.text.geometry().right()
    assert "turns the shaft" in prompt.picture.accessibleName()
    operator.question = None
    page.refresh()
    assert not prompt.picture.isVisible()
    window.close()
    window.deleteLater()
