"""Numbers on a low chart: every grid line is drawn, a number only where it fits."""

import pytest
from PySide6.QtCore import QRectF
from PySide6.QtGui import QImage, QPainter

from ui.dashboard.charts import chart_grid
from ui.dashboard.charts.chart_grid import paint_grid
from ui.dashboard.widgets import THEMES


@pytest.mark.parametrize(("height", "shown"), [(120, ["−0.1", "0.0", "0.1"]), (24, ["0.0"])])
def test_a_low_chart_shows_fewer_numbers_and_nought_among_them(qtbot, monkeypatch, height, shown):
    texts = []
    monkeypatch.setattr(
        chart_grid, "number", lambda v, d: texts.append(f"{v:.1f}".replace("-", "−")) or texts[-1]
    )
    image = QImage(300, 200, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    inner = QRectF(60, 10, 200, height)
    paint_grid(
        painter,
        inner,
        [-0.1, 0.0, 0.1],
        1,
        lambda v: inner.bottom() - (v + 0.1) / 0.2 * height,
        THEMES["light"],
        gap=6,
        free=(0, 200),
    )
    painter.end()
    assert texts == shown


def test_a_number_that_the_next_chart_would_cut_is_left_out(qtbot, monkeypatch):
    texts = []
    monkeypatch.setattr(chart_grid, "number", lambda v, d: texts.append(v) or f"{v:.0f}")
    image = QImage(300, 200, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    inner = QRectF(60, 10, 200, 100)
    half = painter.fontMetrics().capHeight() / 2
    for bottom in (110 + half + 2, 110 + half - 14):
        paint_grid(
            painter,
            inner,
            [0.0, 1.0],
            0,
            lambda v: inner.bottom() - 100 * v,
            THEMES["light"],
            gap=6,
            free=(0, bottom),
        )
    painter.end()
    assert texts == [0.0, 1.0, 1.0]


def test_a_number_at_an_edge_stands_beside_its_line_rather_than_not_at_all(qtbot, monkeypatch):
    texts = []
    monkeypatch.setattr(chart_grid, "number", lambda v, d: texts.append(v) or f"{v:.0f}")
    image = QImage(300, 200, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    inner = QRectF(60, 10, 200, 100)
    for top in (12, 30):
        paint_grid(
            painter,
            inner,
            [0.0, 1.0],
            0,
            lambda v: inner.bottom() - 100 * v,
            THEMES["light"],
            gap=6,
            free=(top, 200),
        )
    painter.end()
    assert texts == [0.0, 1.0, 0.0]
