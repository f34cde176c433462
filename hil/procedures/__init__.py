"""Run a procedure, live or in lockstep, with an operator; whatever ends it, power is off."""

from hil.procedures.live_runner import (
    LiveRunner,
)
from hil.procedures.lockstep_runner import (
    LockstepRunner,
)
from hil.procedures.operator import (
    SimulatedOperator,
)
from hil.procedures.procedure import (
    Action,
    Ask,
    BenchStopped,
    Choose,
    Confirm,
    Ended,
    Hand,
    Hang,
    HoldToRun,
    Note,
    Pause,
    Procedure,
    ProcedureFailed,
    Push,
    Read,
    Runner,
    Seen,
    asked,
    column,
    no_rows,
    wait_for_state,
    wait_until_resting,
)

__all__ = [
    "Action",
    "Ask",
    "BenchStopped",
    "Choose",
    "Confirm",
    "Ended",
    "Hand",
    "Hang",
    "HoldToRun",
    "LiveRunner",
    "LockstepRunner",
    "Note",
    "Pause",
    "Procedure",
    "ProcedureFailed",
    "Push",
    "Read",
    "Runner",
    "Seen",
    "SimulatedOperator",
    "asked",
    "column",
    "no_rows",
    "wait_for_state",
    "wait_until_resting",
]
