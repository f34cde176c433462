"""Characterise a rig: guarded tests, figures with uncertainty, the data sheet."""

from hil.measure.characteristic import Characteristic, Diagram, Evaluation, Line
from hil.measure.guarded import EndOfTest, GuardedTest, measure_all
from hil.measure.in_lockstep import measure_in_lockstep
from hil.measure.plan import TESTS, chosen, duration_words, tests_length_s
from hil.measure.plant_proposal import LoopFigures, Proposal, proposal_of, propose, proposed_changes
from hil.measure.redesign_trial import TRIED, Trial, judge_trial, on_trial, tried_plant
from hil.measure.sheet import (
    MEASURED,
    RUNS,
    EvaluatedRun,
    Sheet,
    SheetError,
    assemble,
    evaluate_run,
    finished_runs,
    new_measurement_folder,
    sheet_of,
    shown,
)
from hil.measure.sheet_comparison import FigurePair, SheetComparison, compare_sheets
from hil.measure.sheet_files import NAME, page_pictures, read_sheet, write_sheet
from hil.measure.sheet_plots import plots_svg
from hil.measure.truth import ObservedBench

__all__ = [
    "MEASURED",
    "NAME",
    "RUNS",
    "TESTS",
    "TRIED",
    "Characteristic",
    "Diagram",
    "EndOfTest",
    "EvaluatedRun",
    "Evaluation",
    "FigurePair",
    "GuardedTest",
    "Line",
    "LoopFigures",
    "ObservedBench",
    "Proposal",
    "Sheet",
    "SheetComparison",
    "SheetError",
    "Trial",
    "assemble",
    "chosen",
    "compare_sheets",
    "duration_words",
    "evaluate_run",
    "finished_runs",
    "judge_trial",
    "measure_all",
    "measure_in_lockstep",
    "new_measurement_folder",
    "on_trial",
    "page_pictures",
    "plots_svg",
    "proposal_of",
    "propose",
    "proposed_changes",
    "read_sheet",
    "sheet_of",
    "shown",
    "tests_length_s",
    "tried_plant",
    "write_sheet",
]
