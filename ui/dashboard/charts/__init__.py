"""Strip charts over time."""

from ui.dashboard.charts.chart_page import ChartPage
from ui.dashboard.charts.chart_view import nice_step

__all__ = ["ChartPage", "nice_step"]
