"""Page Operate."""

from ui.dashboard.operate.operate_page import OperatePage
from ui.dashboard.operate.power_banner import PowerBanner
from ui.dashboard.operate.stop_strip import StopStrip
from ui.dashboard.operate.zero_model import ZeroModel
from ui.dashboard.operate.zero_panel import ZeroPanel

__all__ = ["OperatePage", "PowerBanner", "StopStrip", "ZeroModel", "ZeroPanel"]
