"""The Operate page of a rotary joint: all units are those of angles and torques."""

from __future__ import annotations

import re

import numpy as np
import pytest
from PySide6.QtGui import QImage

from drivers.motion import ARC_RADIUS_M
from hil.control import cap_text
from hil.core import SessionCap
from hil.profile import load_profile, profile_to_dict
from hil.supervision import limit_margins
from tests.ui.made_rows import make_rows
from ui.dashboard.bench import EntryError, OperateModel, readouts
from ui.dashboard.charts.chart_view import PANELS
from ui.dashboard.operate.load_picture import LoadPicture
from ui.dashboard.widgets import THEMES, sizes_for

OF_A_SLIDE = re.compile(r"(?<![\w·])(N|mm|N/mm|mm/s|N·s/mm)(?![\w·/])")


@pytest.fixture
def model(qapp):
    description = {"profile": profile_to_dict(load_profile("rotary_joint")), "simulated": True}
    model = OperateModel(description)
    rows = make_rows(
        200,
        spring_force_N=12.0 / ARC_RADIUS_M,
        force_u95_N=0.2 / ARC_RADIUS_M,
        deflection_m=np.radians(2.5) * ARC_RADIUS_M,
        output_position_m=np.radians(60.0) * ARC_RADIUS_M,
    )
    model.feed([rows], now_s=0.0)
    return model


def test_large_numbers_are_torque_and_angle(model):
    torque, deflection, output = readouts(model)[:3]
    assert (torque.label, torque.value, torque.unit) == ("Spring torque", "12.0", "N·m")
    assert (deflection.value, deflection.unit) == ("2.50", "°")
    assert (output.value, output.unit) == ("60.0", "°")


def test_fields_count_in_the_units_that_they_name(model):
    fields = {f.key: f for form in model.forms for f in form.visible()}
    units = {key: fields[key].unit for key in ("force", "rest", "stiffness", "damping", "speed")}
    assert units == {
        "force": "N·m",
        "rest": "°",
        "stiffness": "N·m/rad",
        "damping": "N·m·s/rad",
        "speed": "°/s",
    }
    assert fields["force"].parse("7.5 N·m") == 7.5 / ARC_RADIUS_M
    with pytest.raises(EntryError, match=r"−30\.0 to 30\.0 N·m"):
        fields["force"].parse("31")


def test_no_page_text_has_a_linear_unit(model):
    texts = [margin.text for margin in limit_margins(model.profile, model.figures)]
    texts += [f"{panel.title} {panel.unit}" for panel in PANELS]
    texts += [f"{form.name} {form.hint} {f.unit}" for form in model.forms for f in form.fields]
    texts.append(cap_text(SessionCap(force_N=160.0, speed_m_s=0.05, stiffness_N_m=1e4)))
    assert texts[-1] == "10 N·m, 45.84°/s, 39.06 N·m/rad"
    assert [text for text in texts if OF_A_SLIDE.search(text)] == []


@pytest.mark.parametrize("angle_deg", [5.0, 60.0, 115.0])
def test_the_torque_is_drawn_clear_of_arm_and_weight(model, qapp, angle_deg):
    position = np.radians(angle_deg) * ARC_RADIUS_M
    model.feed([make_rows(200, spring_force_N=160.0, output_position_m=position)], now_s=1.0)
    model.hung_kg = 4.0
    theme, sizes = THEMES["light"], sizes_for(1280, 800)
    picture = LoadPicture(model, theme, sizes)
    picture.resize(400, 300)
    image = picture.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    pixels = np.array(image.constBits(), dtype=np.uint8).reshape(image.height(), -1, 4)
    scale = image.width() / 400

    def columns(colour):
        blue_green_red = [int(colour[i : i + 2], 16) for i in (5, 3, 1)]
        alike = np.abs(pixels[:, :, :3].astype(int) - blue_green_red).max(axis=2) < 2
        # Filled areas only, not the blended edge of a letter or a hatch.
        return np.nonzero(alike.sum(axis=0) > 3)[0] / scale

    # Arm and weight are filled with the colour of metal; the arm's back end is just left of its
    # pivot.
    assert columns(theme.force).max() < columns(theme.metal).min()
    # The arm uses the available height: 60 degrees up and down, 300 px high.
    swept = columns(theme.metal).max() - columns(theme.metal).min()
    if angle_deg == 60.0:
        assert swept > 140
