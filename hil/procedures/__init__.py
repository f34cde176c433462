"""Run a procedure, live or in lockstep, with an operator; however it ends, power is off."""

from hil.procedures.environment import open_environment
from hil.procedures.in_turn import InTurn
from hil.procedures.live_runner import LiveRunner
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import LoadCell, SimulatedOperator
from hil.procedures.procedure import (
    Action,
    Ask,
    BenchStopped,
    Choose,
    Confirm,
    Drop,
    Ended,
    EnvironmentLike,
    ExpectStop,
    Hand,
    Hang,
    Note,
    Pause,
    Procedure,
    ProcedureFailed,
    Push,
    Read,
    RequireHoldToRun,
    Seen,
    column,
    no_rows,
    send_requests,
    wait_for_state,
    wait_until_resting,
)
from hil.procedures.restricted import Sought, clear_to_seek, find_reference, restart, seek_reference
from hil.procedures.runner import Runner

__all__ = [
    "Action",
    "Ask",
    "BenchStopped",
    "Choose",
    "Confirm",
    "Drop",
    "Ended",
    "EnvironmentLike",
    "ExpectStop",
    "Hand",
    "Hang",
    "InTurn",
    "LiveRunner",
    "LoadCell",
    "LockstepRunner",
    "Note",
    "Pause",
    "Procedure",
    "ProcedureFailed",
    "Push",
    "Read",
    "RequireHoldToRun",
    "Runner",
    "Seen",
    "SimulatedOperator",
    "Sought",
    "clear_to_seek",
    "column",
    "find_reference",
    "no_rows",
    "open_environment",
    "restart",
    "seek_reference",
    "send_requests",
    "wait_for_state",
    "wait_until_resting",
]
