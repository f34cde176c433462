"""Characterise a rig: guarded tests, figures with uncertainty, the data sheet."""

from hil.measure.characteristic import Characteristic, Diagram, Evaluation, Line
from hil.measure.guarded import EndOfTest, GuardedTest, measure_all
from hil.measure.plan import TESTS, chosen
from hil.measure.sheet import RUNS, Sheet, SheetError, TestedRun, assemble, finished_runs, shown
from hil.measure.truth import ObservedBench

__all__ = [
    "RUNS",
    "TESTS",
    "Characteristic",
    "Diagram",
    "EndOfTest",
    "Evaluation",
    "GuardedTest",
    "Line",
    "ObservedBench",
    "Sheet",
    "SheetError",
    "TestedRun",
    "assemble",
    "chosen",
    "finished_runs",
    "measure_all",
    "shown",
]
