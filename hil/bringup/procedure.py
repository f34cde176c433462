"""The bring-up as one procedure: its steps in order, none of which relies on an unverified one."""

from __future__ import annotations

import contextlib
import datetime
from collections import deque
from collections.abc import Callable, Generator, Sequence
from typing import Any

import numpy as np

from drivers.motion import in_words
from hil.bringup.findings import finding
from hil.bringup.signal_statistics import Floats
from hil.bringup.step import Context, Plot, Result, Step, Trace, Verdict
from hil.core import EndCommission, Limit, PowerOff, Reset, State, fix
from hil.procedures import (
    Action,
    Ask,
    BenchStopped,
    Note,
    Pause,
    Procedure,
    ProcedureFailed,
    RequireHoldToRun,
    Seen,
    column,
    wait_for_state,
)

BEFORE_STOP_S = 2.0
MOST_LOOKS = 200  # latest observations kept; each spans 20 ms or more


def bring_up(
    steps: Sequence[Step],
    context: Context,
    passed: set[str],
    on_start: Callable[[Step], None],
    on_result: Callable[[Step, Result], None],
) -> Generator[Action, Seen, list[Result]]:
    """Run ``steps`` in order; a step whose ``needs`` have not passed is not run.

    After each step the rig is without power and under the profile's own limits.

    Args:
        steps: those to run, in order.
        context: shared by them.
        passed: keys of steps that passed before; added to.
        on_start, on_result: called for each step, so that a record is complete at any moment.
    """
    results = []
    for step in steps:
        missing = [key for key in step.needs if key not in passed]
        if missing:
            result = Result(step.key, text=f"not run: {', '.join(missing)} must pass first")
        else:
            on_start(step)
            yield Note(f"{step.title}: {step.happens}")
            result = yield from _one(step, context)
            yield from make_safe()
            result.text = in_words(result.text)
        result.ended = datetime.datetime.now().astimezone()
        if result.verdict is Verdict.PASS:
            passed.add(step.key)
        else:
            passed.discard(step.key)
        results.append(result)
        on_result(step, result)
    return results


def watched(procedure: Procedure, keep: Callable[[Seen], None]) -> Generator[Action, Seen, Any]:
    """Run the procedure, passing all its observations to ``keep``."""
    try:
        action = next(procedure)
        while True:
            try:
                seen = yield action
            except BenchStopped as stop:
                keep(stop.seen)
                action = procedure.throw(stop)
            except ProcedureFailed as failure:
                action = procedure.throw(failure)
            else:
                keep(seen)
                action = procedure.send(seen)
    except StopIteration as end:
        return end.value
    finally:
        procedure.close()


def _one(step: Step, context: Context) -> Generator[Action, Seen, Result]:
    last: deque[Seen] = deque(maxlen=MOST_LOOKS)
    try:
        result: Result = yield from watched(step.run(context), last.append)
    except BenchStopped as stop:
        return _stopped(step, stop, np.concatenate([seen.rows for seen in last]))
    except ProcedureFailed as failure:
        return Result(step.key, Verdict.NEEDS_PERSON, str(failure))
    return result.judge()


def _stopped(step: Step, stop: BenchStopped, rows: Floats) -> Result:
    """Return the result of a step that a stop ended: cause, fix, and the moments before."""
    text = f"the bench stopped ({stop.cause}): {str(stop).rstrip('.')}"
    result = Result(step.key, Verdict.FAIL, f"{text}. {fix(stop.code)}".strip())
    if stop.code == Limit.POSITION_FOLLOWING:
        result.findings.append(finding("encoder_slips"))
    ago = column(rows, "time_s") - column(rows, "time_s")[-1:]
    near = ago > -BEFORE_STOP_S
    if np.count_nonzero(near) > 1:
        for name, unit, column_name, scale in (
            ("spring force", "N", "spring_force_N", 1.0),
            ("nut speed", "mm/s", "nut_velocity_m_s", 1e3),
        ):
            line = Trace(name, ago[near], scale * column(rows, column_name)[near])
            result.plots.append(
                Plot("Before the stop", "time before it (s)", f"{name} ({unit})", (line,))
            )
    return result


def make_safe() -> Generator[Action, Seen, None]:
    """Power off, release the hold-to-run control, reset a stop, restore the profile's limits."""
    yield RequireHoldToRun(False)
    yield Ask(PowerOff())
    yield Pause(0.1)
    yield Ask(Reset())
    with contextlib.suppress(ProcedureFailed):
        yield from wait_for_state(State.DE_ENERGISED, 1.0)
    yield Ask(EndCommission())
