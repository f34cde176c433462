"""Record runs on disk, and read them again."""

from hil.recorder.errors import RunError
from hil.recorder.folders import number_and_name, told_run_folder, write_whole
from hil.recorder.meta import named_calibration, own_version
from hil.recorder.runs import Recorded, Run, RunSummary, find_run, list_runs, load_run, repair_run
from hil.recorder.table import batch_of, schema_of
from hil.recorder.writer import RunWriter

__all__ = [
    "Recorded",
    "Run",
    "RunError",
    "RunSummary",
    "RunWriter",
    "batch_of",
    "find_run",
    "list_runs",
    "load_run",
    "named_calibration",
    "number_and_name",
    "own_version",
    "repair_run",
    "schema_of",
    "told_run_folder",
    "write_whole",
]
