"""First power-up: guarded steps, their findings and the record."""

from hil.bringup.procedure import bring_up, make_safe
from hil.bringup.record import BringUpRecord, first_finding, profile_hash
from hil.bringup.record_files import (
    HTML,
    RECORDS,
    YAML,
    RecordError,
    kept_plots,
    new_record_folder,
    read_record,
)
from hil.bringup.step import Finding, Measured, Plot, Result, Step, Trace, Verdict
from hil.bringup.steps import STEPS
from hil.bringup.under_power import run as run_open_loop

__all__ = [
    "HTML",
    "RECORDS",
    "STEPS",
    "YAML",
    "BringUpRecord",
    "Finding",
    "Measured",
    "Plot",
    "RecordError",
    "Result",
    "Step",
    "Trace",
    "Verdict",
    "bring_up",
    "first_finding",
    "kept_plots",
    "make_safe",
    "new_record_folder",
    "profile_hash",
    "read_record",
    "run_open_loop",
]
