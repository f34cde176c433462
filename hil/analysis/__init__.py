"""Figures from recorded runs, and the report."""

from hil.analysis.measures import Measured, mark_label, measure
from hil.analysis.report import write_report

__all__ = ["Measured", "mark_label", "measure", "write_report"]
