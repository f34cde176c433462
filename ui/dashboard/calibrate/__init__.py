"""Page Calibrate."""

from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.calibrate.page import CalibratePage

__all__ = ["CalibrateModel", "CalibratePage"]
