"""Page Operate."""

from ui.dashboard.operate.axes_sequences import AxesPlans, AxesSequences
from ui.dashboard.operate.open_house import OpenHouse
from ui.dashboard.operate.open_house_page import OpenHousePage
from ui.dashboard.operate.operate_page import OperatePage
from ui.dashboard.operate.operate_view import OperateView
from ui.dashboard.operate.power_banner import PowerBanner
from ui.dashboard.operate.sequence_model import SequenceModel
from ui.dashboard.operate.sequence_panel import SequencePanel
from ui.dashboard.operate.stop_strip import StopStrip
from ui.dashboard.operate.zero_model import ZeroModel
from ui.dashboard.operate.zero_panel import ZeroPanel

__all__ = [
    "AxesPlans",
    "AxesSequences",
    "OpenHouse",
    "OpenHousePage",
    "OperatePage",
    "OperateView",
    "PowerBanner",
    "SequenceModel",
    "SequencePanel",
    "StopStrip",
    "ZeroModel",
    "ZeroPanel",
]
