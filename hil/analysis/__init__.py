"""Figures from recorded runs, their verdicts, and the report."""

from hil.analysis.figure_texts import figure_line
from hil.analysis.measures import Figure, Measured, mark_label, measure
from hil.analysis.report import write_report
from hil.analysis.verdicts import Verdict

__all__ = ["Figure", "Measured", "Verdict", "figure_line", "mark_label", "measure", "write_report"]
