"""Guarded procedures, run from a page."""

from ui.dashboard.guided.dated_folders import KeptFolder, newest_folders
from ui.dashboard.guided.evidence_plot import EvidencePlot, live_plots
from ui.dashboard.guided.guided_model import GuidedModel
from ui.dashboard.guided.guided_page import GuidedLook, GuidedPage
from ui.dashboard.guided.guided_rows import GuidedRows
from ui.dashboard.guided.hand_picture import HandPicture
from ui.dashboard.guided.hands_button import HandsButton
from ui.dashboard.guided.mailbox import Mailbox
from ui.dashboard.guided.page_operator import PageOperator, Question
from ui.dashboard.guided.page_rig import PageRun, make_operator
from ui.dashboard.guided.procedure_thread import ProcedureThread, Put, end_text
from ui.dashboard.guided.prompt_panel import Asking, PromptPanel
from ui.dashboard.guided.ready_to_begin import why_not_begin, why_not_ready, why_not_words
from ui.dashboard.guided.runner import PageRunner
from ui.dashboard.guided.step_rows import RUNNING, StepRows
from ui.dashboard.guided.tour import Caption, Tour
from ui.dashboard.guided.tour_bar import TourBar
from ui.dashboard.guided.typed_number import typed_number

__all__ = [
    "RUNNING",
    "Asking",
    "Caption",
    "EvidencePlot",
    "GuidedLook",
    "GuidedModel",
    "GuidedPage",
    "GuidedRows",
    "HandPicture",
    "HandsButton",
    "KeptFolder",
    "Mailbox",
    "PageOperator",
    "PageRun",
    "PageRunner",
    "ProcedureThread",
    "PromptPanel",
    "Put",
    "Question",
    "StepRows",
    "Tour",
    "TourBar",
    "end_text",
    "live_plots",
    "make_operator",
    "newest_folders",
    "typed_number",
    "why_not_begin",
    "why_not_ready",
    "why_not_words",
]
