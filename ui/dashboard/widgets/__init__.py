"""Controls that know nothing of a bench: buttons, prompts, drawing, theme."""

from ui.dashboard.widgets.change_guard import ChangeGuard
from ui.dashboard.widgets.choice_box import ChoiceBox
from ui.dashboard.widgets.count_box import CountBox
from ui.dashboard.widgets.drawing import SketchPainter
from ui.dashboard.widgets.elided_label import ElidedLabel
from ui.dashboard.widgets.enter_field import EnterField
from ui.dashboard.widgets.hold_button import HoldButton
from ui.dashboard.widgets.key_button import KeyButton
from ui.dashboard.widgets.keys import bound, shortcut
from ui.dashboard.widgets.log_axis import log_ticks
from ui.dashboard.widgets.prepared_picture import PreparedPicture
from ui.dashboard.widgets.prompt_frame import PromptFrame
from ui.dashboard.widgets.reading_table import LEFT, RIGHT, ReadingTable, set_for_reading
from ui.dashboard.widgets.render_scheduler import RenderScheduler, Slice
from ui.dashboard.widgets.status_label import StatusLabel
from ui.dashboard.widgets.theme import THEMES, Sizes, Theme, sizes_for, style_sheet
from ui.dashboard.widgets.themed_plot import ThemedPlot, cosmetic_pen

__all__ = [
    "LEFT",
    "RIGHT",
    "THEMES",
    "ChangeGuard",
    "ChoiceBox",
    "CountBox",
    "ElidedLabel",
    "EnterField",
    "HoldButton",
    "KeyButton",
    "PreparedPicture",
    "PromptFrame",
    "ReadingTable",
    "RenderScheduler",
    "Sizes",
    "SketchPainter",
    "Slice",
    "StatusLabel",
    "Theme",
    "ThemedPlot",
    "bound",
    "cosmetic_pen",
    "log_ticks",
    "set_for_reading",
    "shortcut",
    "sizes_for",
    "style_sheet",
]
