"""The bring-up as one procedure: its steps in order, none of which relies on an unproven one."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Callable, Generator, Sequence

from hil.bringup.step import Context, Result, Step, Verdict
from hil.procedure import (
    Action,
    Ask,
    BenchStopped,
    HoldToRun,
    Note,
    Pause,
    ProcedureFailed,
    Seen,
    wait_for_state,
)
from hil.requests import EndCommission, PowerOff, Reset
from hil.samples import State


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
        on_start, on_result: told of each step, so that a record is complete at any moment.
    """
    results = []
    for step in steps:
        missing = [key for key in step.needs if key not in passed]
        if missing:
            result = Result(step.key, text=f"not run: first must pass {', '.join(missing)}")
        else:
            on_start(step)
            yield Note(f"{step.title}: {step.happens}")
            result = yield from _one(step, context)
            yield from _make_safe()
        result.ended = datetime.datetime.now().astimezone()
        if result.verdict is Verdict.PASS:
            passed.add(step.key)
        else:
            passed.discard(step.key)
        results.append(result)
        on_result(step, result)
    return results


def _one(step: Step, context: Context) -> Generator[Action, Seen, Result]:
    try:
        result = yield from step.run(context)
    except BenchStopped as stop:
        return Result(
            step.key, Verdict.FAIL, f"the bench stopped ({stop.cause}): {stop}"
        )
    except ProcedureFailed as failure:
        return Result(step.key, Verdict.NEEDS_PERSON, str(failure))
    return result.judge()


def _make_safe() -> Generator[Action, Seen, None]:
    """Power off, enabling control no longer wanted, stop reset, the profile's own limits."""
    yield HoldToRun(False)
    yield Ask(PowerOff())
    yield Pause(0.1)
    yield Ask(Reset())
    with contextlib.suppress(ProcedureFailed):
        yield from wait_for_state(State.DE_ENERGISED, 1.0)
    yield Ask(EndCommission())
