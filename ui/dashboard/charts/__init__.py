"""Strip charts over time, and how lines are drawn fast."""

from ui.dashboard.charts.chart_lines import column_bars, draw_bars, passes, sample_lines
from ui.dashboard.charts.chart_page import ChartPage
from ui.dashboard.charts.chart_view import nice_step

__all__ = ["ChartPage", "column_bars", "draw_bars", "nice_step", "passes", "sample_lines"]
