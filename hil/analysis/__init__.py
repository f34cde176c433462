"""Figures from recorded runs, their verdicts, the report; selections and exports."""

from hil.analysis.export import DATA_ENDINGS, export_table
from hil.analysis.figure_texts import figure_line
from hil.analysis.measures import Figure, Measured, mark_label, measure
from hil.analysis.paper import FIGURE_ENDINGS, Line, draw_figure, lines_of
from hil.analysis.report import write_report
from hil.analysis.selection import select
from hil.analysis.shown_units import short_name, shown_unit
from hil.analysis.verdicts import Verdict

__all__ = [
    "DATA_ENDINGS",
    "FIGURE_ENDINGS",
    "Figure",
    "Line",
    "Measured",
    "Verdict",
    "draw_figure",
    "export_table",
    "figure_line",
    "lines_of",
    "mark_label",
    "measure",
    "select",
    "short_name",
    "shown_unit",
    "write_report",
]
