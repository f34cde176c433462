"""Run a guarded procedure from a page."""

from ui.dashboard.guided.page_operator import PageOperator, Question
from ui.dashboard.guided.ready_to_begin import why_not_ready
from ui.dashboard.guided.runner import PageRunner
from ui.dashboard.guided.typed_number import typed_number

__all__ = ["PageOperator", "PageRunner", "Question", "typed_number", "why_not_ready"]
