"""Strip charts over time, and the parts they share with other drawings over time."""

from ui.dashboard.charts.chart_cursors import paint_cursor
from ui.dashboard.charts.chart_grid import paint_grid
from ui.dashboard.charts.chart_lines import DeviceScale, draw_trace, pixel_columns
from ui.dashboard.charts.chart_page import ChartPage
from ui.dashboard.charts.chart_view import nice_step, round_ticks
from ui.dashboard.charts.time_canvas import TimeCanvas
from ui.dashboard.charts.time_view import TimeView

__all__ = [
    "ChartPage",
    "DeviceScale",
    "TimeCanvas",
    "TimeView",
    "draw_trace",
    "nice_step",
    "paint_cursor",
    "paint_grid",
    "pixel_columns",
    "round_ticks",
]
