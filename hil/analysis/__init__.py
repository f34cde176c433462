"""Figures from recorded runs, their verdicts, the report; selections and exports."""

from hil.analysis.alignment import Alignment, align_by_correlation, common_events, event_times
from hil.analysis.export import DATA_ENDINGS, export_table
from hil.analysis.figure_texts import figure_line
from hil.analysis.measures import Figure, Measured, mark_label, measure
from hil.analysis.paper import FIGURE_ENDINGS, Line, draw_figure, lines_of
from hil.analysis.report import ReportFrame, write_report
from hil.analysis.run_comparison import FigureDifference, compare_figures, normalized_error
from hil.analysis.selection import select
from hil.analysis.shown_units import short_name, shown_unit
from hil.analysis.spectra import Spectrum, frequency_spectrum, order_spectrum
from hil.analysis.verdicts import Verdict

__all__ = [
    "DATA_ENDINGS",
    "FIGURE_ENDINGS",
    "Alignment",
    "Figure",
    "FigureDifference",
    "Line",
    "Measured",
    "ReportFrame",
    "Spectrum",
    "Verdict",
    "align_by_correlation",
    "common_events",
    "compare_figures",
    "draw_figure",
    "event_times",
    "export_table",
    "figure_line",
    "frequency_spectrum",
    "lines_of",
    "mark_label",
    "measure",
    "normalized_error",
    "order_spectrum",
    "select",
    "short_name",
    "shown_unit",
    "write_report",
]
