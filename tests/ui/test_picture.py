"""A page drawn into a file without a screen."""

import numpy as np
import pytest
from PySide6.QtGui import QImage

from hil.core.samples import State
from hil.profile.loader import load_profile
from tests.ui.made_rows import make_rows
from ui.dashboard.picture import save_rows_picture

PROFILE = load_profile("footplate_trainer")


def red_share(image: QImage) -> float:
    """Return the share of the lowest sixth that has the stop button's red."""
    lowest = range(image.height() * 5 // 6, image.height(), 7)
    points = [image.pixelColor(x, y) for y in lowest for x in range(0, image.width(), 7)]
    return sum(c.red() > 150 and c.green() < 60 for c in points) / len(points)


@pytest.mark.parametrize("theme, dark", [("light", False), ("dark", True)])
def test_a_page_of_the_asked_size_with_the_stop_strip(qapp, tmp_path, theme, dark):
    rows = make_rows(5000, spring_force_N=np.linspace(0, 300, 5000)).rows
    path = tmp_path / "page.png"
    events = [{"kind": "applied", "behaviour": {"kind": "float"}, "time_s": 0.0}]
    save_rows_picture(PROFILE, rows, events, path, theme=theme, size=(1280, 720), scale=2.0)
    image = QImage(str(path))
    assert (image.width(), image.height()) == (2560, 1440)
    assert red_share(image) > 0.1
    assert (image.pixelColor(1100, 1100).lightness() < 100) is dark


def test_text_and_lines_grow_with_the_page(qapp, tmp_path):
    rows = make_rows(100).rows
    heights = []
    for size in ((1280, 720), (2560, 1440)):
        path = tmp_path / "page.png"
        save_rows_picture(PROFILE, rows, [], path, size=size)
        image = QImage(str(path))
        column = [image.pixelColor(size[0] * 2 // 3, y) for y in range(image.height())]
        heights.append(sum(c.red() > 150 and c.green() < 60 for c in column))
    assert heights[1] > 1.5 * heights[0]


def test_the_moment_is_the_one_asked_for(qapp, tmp_path):
    working = make_rows(2000, 0.0, State.RUNNING, spring_force_N=200.0).rows
    stopped = make_rows(2000, 2.0, State.STOPPED, tripped=40, spring_force_N=0.0).rows
    rows = np.concatenate((working, stopped))
    events = [{"kind": "stop", "cause": "Operator", "code": 40, "detail": "", "time_s": 2.0}]
    pictures = []
    for name, at_s in (("a", 1.9), ("b", 3.9), ("c", 1.9)):
        path = tmp_path / f"{name}.png"
        save_rows_picture(PROFILE, rows, events, path, at_s=at_s)
        pictures.append(QImage(str(path)))
    assert pictures[0] == pictures[2]
    assert pictures[0] != pictures[1]


def test_a_folder_that_is_not_there_is_reported(qapp, tmp_path):
    with pytest.raises(OSError, match="does its folder exist"):
        save_rows_picture(PROFILE, make_rows(10).rows, [], tmp_path / "no" / "a.png")
