"""Page Operate."""

from ui.dashboard.operate.operate_page import OperatePage
from ui.dashboard.operate.stop_strip import StopStrip

__all__ = ["OperatePage", "StopStrip"]
