"""Page Measure."""

from ui.dashboard.measure.model import MeasureModel
from ui.dashboard.measure.page import MeasurePage

__all__ = ["MeasureModel", "MeasurePage"]
