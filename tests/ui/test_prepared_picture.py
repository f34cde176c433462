"""A picture painted in slices looks like a picture painted at once."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QObject
from PySide6.QtGui import QImage, QPainter, QPixmap
from PySide6.QtWidgets import QWidget

from tests.ui.made_rows import make_rows
from ui.dashboard.charts.strip_charts import StripCharts
from ui.dashboard.operate.limit_margin_bars import LimitMarginBars
from ui.dashboard.operate.readouts import Readouts
from ui.dashboard.operate.rig_picture import RigPicture
from ui.dashboard.widgets import THEMES, PreparedPicture, sizes_for

ROUNDING = 16  # of 255: edges are blended twice


def pixels(picture: QPixmap) -> np.ndarray:
    image = picture.toImage().convertToFormat(QImage.Format.Format_RGB32)
    return np.array(image.constBits()).reshape(image.height(), -1).astype(int)


@pytest.fixture(params=[RigPicture, LimitMarginBars, StripCharts, Readouts])
def widget(request, model, qapp):
    widget = request.param(model, THEMES["light"], sizes_for(1440, 900))
    widget.resize(500, 400)
    widget.show()
    qapp.processEvents()
    yield widget
    widget.close()


def on_screen(widget: QWidget) -> QPixmap:
    screen = widget.window().backingStore()
    assert screen is not None
    device = screen.paintDevice()
    assert isinstance(device, QImage)
    return QPixmap.fromImage(device).copy(0, 0, widget.width(), widget.height())


def test_the_slices_show_the_whole_picture(widget, model):
    before = pixels(on_screen(widget))
    model.feed([make_rows(3000)], 0.0)
    if isinstance(widget, LimitMarginBars):
        widget.refresh()
    at_once = pixels(widget.grab())
    assert np.abs(at_once - before).max() > ROUNDING
    for act in widget.slices():
        act()
    assert np.abs(at_once - pixels(on_screen(widget))).max() <= ROUNDING


class Painted(QObject):
    """Counter of a widget's paint events."""

    def __init__(self, widget: QWidget) -> None:
        super().__init__()
        self.times = 0
        widget.installEventFilter(self)

    def eventFilter(self, watched, event):
        self.times += event.type() == QEvent.Type.Paint
        return False


def test_no_slice_leaves_the_whole_picture_to_be_painted_after_it(widget, model, qapp):
    model.feed([make_rows(3000)], 0.0)
    qapp.processEvents()
    painted = Painted(widget)
    for act in widget.slices():
        act()
        qapp.processEvents()  # a key press now would wait for this painting
    assert painted.times == (4 if isinstance(widget, StripCharts) else 1)  # once for each chart


def test_a_part_that_fails_or_a_widget_that_grew_meanwhile_leaves_no_half_picture(qapp):
    painted = []

    class Plain(QWidget):
        def paintEvent(self, event):
            painter = QPainter(self)
            painted.append(prepared.show(painter))
            painter.end()

    widget = Plain()
    widget.resize(40, 30)
    prepared = PreparedPicture(widget)
    widget.show()
    qapp.processEvents()

    def fails(painter):
        raise ValueError("not this one")

    first, second, show = prepared.slices([lambda painter: None, fails])
    first()
    with pytest.raises(ValueError, match="not this one"):
        second()
    painted.clear()
    show()
    assert painted == [False]
    first, show = prepared.slices([lambda painter: None])
    first()
    widget.resize(80, 30)
    qapp.processEvents()
    painted.clear()
    show()
    assert painted == [False]
    first()
    show()
    assert painted[-1] is True
    widget.close()


def test_a_widget_without_a_size_is_not_painted(qtlog, qapp):
    widget = QWidget()
    widget.resize(0, 0)
    painted: list[QPainter] = []
    for act in PreparedPicture(widget).slices([painted.append]):
        act()
    assert not painted and not qtlog.records
