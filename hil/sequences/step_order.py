"""Order of the steps of a sequence: power, stops, resets, and steps that need a held load."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hil.sequences.sequence import Written
from hil.sequences.sequence_steps import (
    BehaviourStep,
    EnergiseStep,
    HangStep,
    MarkerStep,
    PowerOffStep,
    ResetStep,
    SequenceStep,
    StopStep,
    TareStep,
    WaitStep,
    WaitUntilStep,
)

_IDLE = ResetStep | MarkerStep | WaitStep | WaitUntilStep | HangStep


def check_order(
    steps: Sequence[SequenceStep],
    written: Sequence[Written],
    wrong: Callable[[Written, str, str, str], None],
) -> None:
    """Check that the steps can follow each other on any rig.

    Args:
        written: place of each.
        wrong: takes the place, the key, the error and the fix.
    """
    powered = stopped = working = False
    for step, at in zip(steps, written, strict=True):
        name = step.do
        if stopped and not isinstance(step, _IDLE):
            wrong(at, "do", f"'{name}' while stopped", "put '- reset' before it")
            return
        if isinstance(step, EnergiseStep):
            if powered:
                wrong(at, "do", "power is on already", "leave it out")
            powered, working = True, False
        elif isinstance(step, PowerOffStep):
            powered = working = False
        elif isinstance(step, StopStep):
            stopped, powered, working = True, False, False
        elif isinstance(step, ResetStep):
            if not stopped:
                wrong(at, "do", "nothing to reset: no stop before it", "leave it out")
            stopped = False
        elif isinstance(step, BehaviourStep):
            if not powered:
                wrong(at, "do", f"'{name}' without power", "put '- power_on' before it")
            working = True
        elif isinstance(step, TareStep) and working:
            wrong(at, "do", "tare while a behaviour is active", "tare before the first one")
        if isinstance(step, HangStep) and step.measure is not None and not working:
            wrong(
                at,
                "measure",
                "nothing holds the load whose sag is to be measured",
                "put 'do: hold_position' before it",
            )
    if powered or stopped:
        wrong(
            written[-1],
            "do",
            "the sequence ends with the rig " + ("stopped" if stopped else "under power"),
            "end it with '- reset'" if stopped else "end it with '- power_off'",
        )
