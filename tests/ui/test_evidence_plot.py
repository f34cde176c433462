"""Plots of evidence: titles are whole in narrow plots, and the legend covers no curve."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QPointF
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import QApplication

from hil.bringup import Plot, Trace
from ui.dashboard.guided import EvidencePlot
from ui.dashboard.guided.legend_room import CLEAR, TALLEST, legend_room
from ui.dashboard.widgets import THEMES, sizes_for

X = np.linspace(0.0, 1.0, 41)


def laid(plot, size, lines, title="Spring force over motor force", y_label="size (dB)"):
    plot.resize(*size)
    plot.show()
    traces = tuple(Trace(label, x, y) for label, x, y in lines)
    plot.draw(Plot(title, "frequency (Hz)", y_label, traces))
    for _ in range(3):  # axes settle their width at the first drawing
        plot.grab()
        QApplication.processEvents()


@pytest.fixture
def plot(qapp, qtbot):
    made = EvidencePlot(THEMES["light"], sizes_for(1280, 720))
    qtbot.addWidget(made)
    return made


def curves_under_the_legend(plot):
    """Return the number of points of curves under the legend."""
    area = plot.getViewBox()
    legend = plot._legend
    box = legend.mapRectToItem(area, legend.boundingRect())
    assert area.rect().contains(box), "the legend leaves the plot"
    covered = 0
    for line in plot.getPlotItem().listDataItems():
        for x, y in zip(line.xData, line.yData, strict=True):
            covered += box.contains(area.mapFromView(QPointF(x, y)))
    return covered


@pytest.mark.parametrize("width", [230, 320, 600])
def test_a_title_is_whole_however_narrow_its_plot_and_does_not_widen_it(plot, width):
    laid(plot, (width, 240), [("small", X, X)])
    label = plot.getPlotItem().titleLabel
    shown = label.mapRectToScene(label.itemRect())
    assert shown.left() >= 0 and shown.right() <= width, shown
    assert label.text.replace("<br>", " ") in (
        "Spring force over motor force size (dB)",
        "Spring force over motor force: size (dB)",
    )
    lines = label.text.count("<br>") + 1
    assert label.height() >= lines * QFontMetricsF(plot.letters).height()


def test_the_title_is_laid_anew_when_the_plot_becomes_narrower(plot):
    laid(plot, (700, 240), [("small", X, X)])
    assert "<br>" not in plot.getPlotItem().titleLabel.text
    plot.resize(240, 240)
    for _ in range(3):
        plot.grab()
        QApplication.processEvents()
    assert "<br>" in plot.getPlotItem().titleLabel.text


@pytest.mark.parametrize("size", [(300, 210), (500, 240), (900, 500)])
def test_a_legend_hides_no_curve_though_every_corner_has_one(plot, size):
    crossing = [
        ("up", X, X),
        ("down", X, 1 - X),
        ("level", X, 0 * X + 0.5),
        ("hump", X, X * (1 - X)),
    ]
    laid(plot, size, crossing)
    assert curves_under_the_legend(plot) == 0


def test_many_lines_of_what_was_expected_share_an_entry_and_the_legend_stays_inside(plot):
    lines = []
    for i in range(4):
        lines += [(f"{7 + i}.5 Hz", X, X + i), (f"{7 + i}.5 Hz, design", X, X + i + 0.1)]
    laid(plot, (380, 150), lines)
    names = [label.text for _, label in plot._legend.items]
    assert names == ["7.5 Hz", "dashed: design", "8.5 Hz", "9.5 Hz", "10.5 Hz"]
    assert (
        plot.getViewBox()
        .rect()
        .contains(plot._legend.mapRectToItem(plot.getViewBox(), plot._legend.boundingRect()))
    )


def test_curves_drawn_anew_with_other_values_keep_clear_of_the_legend(plot):
    laid(plot, (400, 240), [("a", X, X), ("b", X, 1 - X)])
    laid(plot, (400, 240), [("a", X, 900 * X), ("b", X, 900 - 900 * X)])
    assert curves_under_the_legend(plot) == 0


@settings(max_examples=60)
@given(
    st.lists(
        st.lists(st.floats(-1e3, 1e3) | st.just(float("nan")), min_size=2, max_size=12),
        min_size=1,
        max_size=4,
    ),
    st.floats(0.05, 0.9),
    st.floats(0.05, TALLEST - 2 * CLEAR),
)
def test_a_corner_found_is_free_once_the_range_is_so_much_longer(curves, wide, high):
    lines = [(np.arange(len(y), dtype=float), np.array(y)) for y in curves]
    room = legend_room(lines, wide, high)
    points = np.concatenate([np.column_stack(line) for line in lines])
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        return
    low, span = points.min(axis=0), np.ptp(points, axis=0)
    across, up = ((points - low) / np.where(span > 0, span, 1.0)).T
    if room.low:
        up = 1 - up
    up = up / (1 + room.more)
    beside = across > 1 - wide if room.right else across < wide
    assert not (beside & (up > 1 - high)).any()
