"""Run a guarded procedure from a page."""

from ui.dashboard.guided.evidence_plot import EvidencePlot, live_plots
from ui.dashboard.guided.page_operator import PageOperator, Question
from ui.dashboard.guided.prompt_panel import MOST_OPTIONS, Asking, PromptPanel
from ui.dashboard.guided.ready_to_begin import why_not_ready
from ui.dashboard.guided.runner import PageRunner
from ui.dashboard.guided.step_rows import RUNNING, StepRows
from ui.dashboard.guided.typed_number import typed_number

__all__ = [
    "MOST_OPTIONS",
    "RUNNING",
    "Asking",
    "EvidencePlot",
    "PageOperator",
    "PageRunner",
    "PromptPanel",
    "Question",
    "StepRows",
    "live_plots",
    "typed_number",
    "why_not_ready",
]
