"""Controls that know nothing of a bench: buttons, prompts, drawing, theme."""

from ui.dashboard.widgets.ask_frame import AskFrame
from ui.dashboard.widgets.drawing import Draughtsman
from ui.dashboard.widgets.hold_button import HoldButton
from ui.dashboard.widgets.key_button import KeyButton
from ui.dashboard.widgets.pacer import Pacer, Slice
from ui.dashboard.widgets.shown import Shown
from ui.dashboard.widgets.spoken_label import SpokenLabel
from ui.dashboard.widgets.theme import THEMES, Sizes, Theme, combo_style, sizes_for, style_sheet

__all__ = [
    "THEMES",
    "AskFrame",
    "Draughtsman",
    "HoldButton",
    "KeyButton",
    "Pacer",
    "Shown",
    "Sizes",
    "Slice",
    "SpokenLabel",
    "Theme",
    "combo_style",
    "sizes_for",
    "style_sheet",
]
