"""The drawing of a rotary actuator: seen along its axis, clear of its own texts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtGui import QImage

from drivers.motion import ARC_RADIUS_M
from hil.profile import load_profile, profile_to_dict
from tests.ui.made_rows import make_rows
from ui.dashboard.bench import OperateModel
from ui.dashboard.operate.rig_picture import RigPicture
from ui.dashboard.widgets import THEMES, sizes_for


def drawn(angle_deg: float, deflection_deg: float, torque_N_m: float) -> tuple[np.ndarray, float]:
    """Return the pixels of the picture, shape (rows, columns, 4), and pixels for each logical one."""
    profile = load_profile("rotary_joint")
    model = OperateModel({"profile": profile_to_dict(profile), "simulated": True})
    rows = make_rows(
        200,
        spring_force_N=torque_N_m / ARC_RADIUS_M,
        deflection_m=math.radians(deflection_deg) * ARC_RADIUS_M,
        output_position_m=math.radians(angle_deg) * ARC_RADIUS_M,
        nut_position_m=math.radians(angle_deg + deflection_deg) * ARC_RADIUS_M,
    )
    model.feed([rows], now_s=0.0)
    picture = RigPicture(model, THEMES["light"], sizes_for(1280, 800))
    picture.resize(530, 165)
    image = picture.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    pixels = np.array(image.constBits(), dtype=np.uint8).reshape(image.height(), -1, 4).copy()
    return pixels, image.width() / 530


def places(pixels: np.ndarray, colour: str) -> np.ndarray:
    """Return (row, column) of the pixels in a colour, shape (n, 2)."""
    blue_green_red = [int(colour[i : i + 2], 16) for i in (5, 3, 1)]
    alike = np.abs(pixels[:, :, :3].astype(int) - blue_green_red).max(axis=2) < 2
    return np.argwhere(alike)


def test_the_pointer_goes_up_with_the_output(qapp):
    theme = THEMES["light"]
    heights = [
        places(drawn(angle, 0.0, 0.0)[0], theme.measured)[:, 0].mean()
        for angle in (10.0, 60.0, 110.0)
    ]
    assert heights[0] > heights[1] > heights[2]


@pytest.mark.parametrize("angle_deg", [5.0, 60.0, 115.0])
@pytest.mark.parametrize("deflection_deg", [-8.7, 8.7])
def test_nothing_is_cut_off_at_any_place(qapp, angle_deg, deflection_deg):
    pixels, _ = drawn(angle_deg, deflection_deg, 4.0 * deflection_deg)
    edge = np.concatenate([pixels[0], pixels[-1], pixels[:, -1], pixels[:, 0]])[:, :3]
    assert (edge == edge[0]).all()


def test_the_torque_turns_with_its_sign(qapp):
    theme = THEMES["light"]
    tips = []
    for torque in (-25.0, 25.0):
        found = places(drawn(60.0, 0.0, torque)[0], theme.force)
        arc = found[found[:, 1] < 250]  # the figure stands further right
        counts = np.bincount(arc[:, 0])
        tips.append(float(np.average(np.arange(len(counts)), weights=counts**2)))
    assert tips[0] < tips[1]  # a negative one points up, left of the joint
