"""One control cycle and the state it advances; the same in lockstep."""

from hil.bench.axes import TiedBenches
from hil.bench.cycle import Bench, CycleTiming
from hil.bench.facts import DriveFacts, drive_facts, facts_from_dict, facts_to_dict
from hil.bench.lockstep import EPOCH, LockstepBench
from hil.bench.lockstep_axes import LockstepAxes
from hil.bench.referencing import (
    CONFIRMED,
    KEPT,
    LOST,
    NOT_VERIFIED,
    UNVERIFIED,
    WHY_OPEN,
    first_reference,
    is_verified,
)
from hil.bench.rehearsal import Rehearsal, Rehearser, known_faults, load_rehearsal

__all__ = [
    "CONFIRMED",
    "EPOCH",
    "KEPT",
    "LOST",
    "NOT_VERIFIED",
    "UNVERIFIED",
    "WHY_OPEN",
    "Bench",
    "CycleTiming",
    "DriveFacts",
    "LockstepAxes",
    "LockstepBench",
    "Rehearsal",
    "Rehearser",
    "TiedBenches",
    "drive_facts",
    "facts_from_dict",
    "facts_to_dict",
    "first_reference",
    "is_verified",
    "known_faults",
    "load_rehearsal",
]
