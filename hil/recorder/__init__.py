"""Record runs on disk, and read them again."""

from hil.recorder.bin import bin_run, empty_bin, list_binned, restore_run
from hil.recorder.errors import RunError
from hil.recorder.folders import named_run_folder, number_and_name, run_name, write_whole
from hil.recorder.labels import RunLabels, change_labels, read_labels
from hil.recorder.listing import RunSummary, find_run, list_runs, open_run, search_runs
from hil.recorder.meta import named_calibration, own_version
from hil.recorder.rotary_columns import STORED, described_motion, stored_columns
from hil.recorder.runs import Recorded, Run, load_run, repair_run
from hil.recorder.table import batch_of, schema_of
from hil.recorder.writer import RunWriter

__all__ = [
    "STORED",
    "Recorded",
    "Run",
    "RunError",
    "RunLabels",
    "RunSummary",
    "RunWriter",
    "batch_of",
    "bin_run",
    "change_labels",
    "described_motion",
    "empty_bin",
    "find_run",
    "list_binned",
    "list_runs",
    "load_run",
    "named_calibration",
    "named_run_folder",
    "number_and_name",
    "open_run",
    "own_version",
    "read_labels",
    "repair_run",
    "restore_run",
    "run_name",
    "schema_of",
    "search_runs",
    "stored_columns",
    "write_whole",
]
