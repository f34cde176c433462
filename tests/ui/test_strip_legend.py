"""The legend of a strip chart in windows of any size."""

import pytest

from ui.dashboard.charts.chart_title import legend_entries, title_end
from ui.dashboard.charts.strip_charts import StripCharts
from ui.dashboard.widgets import THEMES, sizes_for


@pytest.mark.parametrize("size", [(1200, 680), (1280, 720), (3840, 2160)])
def test_the_legend_of_a_strip_stands_clear_of_title_and_unit(model, qapp, size):
    sizes = sizes_for(*size)
    charts = StripCharts(model, THEMES["light"], sizes)
    charts.resize(round(0.35 * size[0]), round(0.75 * size[1]))
    font, u = charts.text_font(), sizes.scale
    for plot in charts._plots():
        end = title_end(plot.panel, font, u)
        placed = legend_entries(plot.panel, font, u, end, plot.inner.right())
        assert placed[0][0] > end, plot.panel.title
        assert len(placed) == len(plot.panel.traces)
        ends = [x for entry in placed for x in entry]
        assert ends == sorted(ends) and ends[-1] <= plot.inner.right()
    charts.close()
