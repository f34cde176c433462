"""A sequence as a procedure: steps in order, figures marked in the run."""

from __future__ import annotations

import math
from collections.abc import Generator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.motion import FORCE, LENGTH, STIFFNESS, worded
from hil.core import (
    INDEX,
    Apply,
    EndRun,
    Marker,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    StartRun,
    State,
    Stop,
    Tare,
)
from hil.procedures import (
    Action,
    Ask,
    Confirm,
    ExpectStop,
    Hang,
    Note,
    Pause,
    Procedure,
    ProcedureFailed,
    Push,
    Seen,
    column,
    send_requests,
    wait_for_state,
    wait_until_resting,
)
from hil.profile import Profile
from hil.sequences.axes_steps import BesideStep, FollowedPart, StoppedStep
from hil.sequences.meeting import MeetingPart
from hil.sequences.pacing import Pacing, is_safe_point, pause_here
from hil.sequences.sequence import Sequence, kind_of
from hil.sequences.sequence_steps import (
    MEASURED_VALUES,
    BehaviourStep,
    EnergiseStep,
    HangStep,
    Lasting,
    MarkerStep,
    PowerOffStep,
    PushStep,
    RampStep,
    ResetStep,
    StopStep,
    TareStep,
    WaitStep,
    WaitUntilStep,
)
from hil.sequences.tolerances import declared_tolerance

# Between one request and the next: the host answers within a cycle or two.
BREATH_S = 0.05
LOOK_S = 0.02
OWN_STOP = "exercise of the stop"


def perform(
    sequence: Sequence,
    profile: Profile,
    pacing: Pacing | None = None,
    record: bool = True,
    part: MeetingPart | None = None,
) -> Procedure:
    """Perform the sequence as a procedure; ``record`` makes a run of it.

    ``pacing`` may pause it at safe points, and holds its progress. With ``part`` it is one of several
    axes, which meet before each step and at the end.

    Figures are marked in the run by three markers, ``begin``, ``steady`` and ``end`` of
    ``KIND: NAME``, which carry the setpoints; ``hil.analysis.measures`` reads them back.
    """
    note = sequence.description.strip()
    if record:
        yield from send_requests([StartRun(name=sequence.name, note=note)])
        yield Pause(BREATH_S)
    hung = 0.0
    powered, acting = False, None
    total = len(sequence.steps)
    pacing = pacing or Pacing()
    pacing.done_s = 0.0
    for number, step in enumerate(sequence.steps, 1):
        pacing.number = number
        safe = number > 1 and is_safe_point(step, powered, acting)
        if part is None:
            pauses = pacing.pause_asked and safe
        else:
            yield from part.meet(may_pause=safe)
            pauses = part.pauses(pacing.pause_asked)
        if pauses:
            yield from pause_here(pacing, acting)
            if part is not None:
                yield from part.meet()
        yield Note(f"{number:2d}/{total}  {describe(step)}")
        if step.note:
            yield Note(f"       {step.note.strip()}")
        if isinstance(step, HangStep):
            hung = step.mass
        if (
            part is not None
            and number - 1 in sequence.powering
            and not isinstance(step, EnergiseStep)
        ):
            yield from part.meet()  # the meeting of the axes that power on
        yield from _perform(sequence, step, profile, hung, part)
        pacing.done_s += sequence.length(step)
        if isinstance(step, BehaviourStep):
            acting = step
        elif isinstance(step, EnergiseStep | PowerOffStep | StopStep):
            powered, acting = isinstance(step, EnergiseStep), None
    if part is not None:
        yield from part.meet()
    if record:
        yield from send_requests([EndRun()])


def perform_times(
    sequence: Sequence,
    profile: Profile,
    pacing: Pacing,
    times: int,
    part: MeetingPart | None = None,
) -> Procedure:
    """Perform a sequence several times, each as its own run; arguments as of :func:`perform`."""
    for _ in range(times):
        yield from perform(sequence, profile, pacing, part=part)
        yield Pause(BREATH_S)


def _perform(
    sequence: Sequence, step: Any, profile: Profile, hung: float, part: MeetingPart | None
) -> Generator[Action, Seen, None]:
    length = sequence.length(step)
    if isinstance(step, EnergiseStep):
        seen = yield Confirm(f"{profile.stop.load} Is the load supported?")
        if not seen.accepted:
            raise ProcedureFailed("the load was not confirmed as supported; nothing was energised")
        yield from wait_until_resting()
        if part is not None:
            # An axis under power without a behaviour sinks while the other one is still awaited.
            yield from part.meet()
        yield from send_requests([PowerOn(load_supported=True)])
        yield from wait_for_state(State.STANDBY)
    elif isinstance(step, PowerOffStep):
        yield from send_requests([PowerOff()])
        yield Pause(BREATH_S)
    elif isinstance(step, TareStep):
        yield from send_requests([Tare(clear=step.clear)])
    elif isinstance(step, MarkerStep):
        yield from send_requests([Marker(text=step.text)])
    elif isinstance(step, WaitStep):
        yield Pause(length)
    elif isinstance(step, WaitUntilStep):
        yield from wait_for_value(step, profile)
    elif isinstance(step, PushStep):
        yield Push(step.force, step.frequency or 0.0, length)
        yield Pause(length)
    elif isinstance(step, StopStep):
        yield from _stop(step, length, part)
    elif isinstance(step, ResetStep):
        yield from _reset()
    elif isinstance(step, HangStep):
        yield from _measured(sequence, step, {"weight_kg": hung}, [], Hang(step.mass))
    elif isinstance(step, BehaviourStep):
        may_move = getattr(step, "load_may_move", False)
        apply = Apply(behaviour=step.behaviour(), load_may_move=may_move)
        yield from _measured(sequence, step, _setpoint_values(step, hung), [apply], None)


def _stop(step: StopStep, length: float, part: MeetingPart | None) -> Generator[Action, Seen, None]:
    if step.measure is not None:
        yield from send_requests([_marker("begin", step, {})])
    if part is not None:
        # The stop of one axis stops the others: it is the sequence's own for all of them.
        yield ExpectStop()
        yield from part.meet()
    if isinstance(step, StoppedStep):
        seen = yield Pause(length)
        if not (len(seen.rows) and seen.rows[-1, INDEX["state"]] == State.STOPPED):
            # Another axis stops only those that have power.
            yield from send_requests([Stop(cause=OWN_STOP)])
    else:
        yield from send_requests([Stop(cause=OWN_STOP)])
        yield Pause(length)
    if step.measure is not None:
        yield from send_requests([_marker("end", step, {})])


def _measured(
    sequence: Sequence,
    step: Lasting,
    values: dict[str, float],
    requests: list[Request],
    hang: Hang | None,
) -> Generator[Action, Seen, None]:
    length = sequence.length(step)
    measure = step.measure is not None
    if measure:
        yield from send_requests([_marker("begin", step, values)])
    yield from send_requests(requests)
    if hang is not None:
        seen = yield hang
        if not seen.accepted:
            raise ProcedureFailed("the load was not confirmed; the rig was stopped")
    if step.push is not None:
        yield Push(step.push.force, step.push.frequency or 0.0, length)
    if not measure:
        yield Pause(length)
        return
    settle = sequence.settle(step)
    yield Pause(settle)
    yield from send_requests([_marker("steady", step, values)])
    yield Pause(length - settle)
    yield from send_requests([_marker("end", step, values)])


def wait_for_value(step: WaitUntilStep, profile: Profile) -> Generator[Action, Seen, None]:
    """Wait until a measured value lies within the step's bounds, in the time of the samples.

    Raises:
        ProcedureFailed: it was not reached in time, with the last value.
    """
    low, high = step.bounds
    began_s = since_s = math.nan
    last, waited_s = math.nan, 0.0
    while waited_s < step.at_most:
        seen = yield Pause(LOOK_S)
        waited_s += LOOK_S
        if not len(seen.rows):
            continue
        times = column(seen.rows, "time_s")
        values = measured_value(step.measured, seen.rows, profile)
        began_s = times[0] if math.isnan(began_s) else began_s
        for time_s, value in zip(times.tolist(), values.tolist(), strict=True):
            if not low < value < high:
                since_s = math.nan
                continue
            since_s = time_s if math.isnan(since_s) else since_s
            if time_s - since_s >= step.holds:
                return
        last = float(values[-1])
        waited_s = max(waited_s, float(times[-1] - began_s))
    unit = MEASURED_VALUES[step.measured][0]
    raise ProcedureFailed(
        f"{condition_words(step)} was not reached within {step.at_most:g} s: the last value was "
        f"{last:.4g} {unit}. Fix: check the rig, or increase 'at_most'"
    )


def measured_value(
    measured: str, rows: NDArray[np.float64], profile: Profile
) -> NDArray[np.float64]:
    """Return a value of ``wait_until`` from rows (n, columns), shape (n,), in SI or °C."""
    if measured == "winding_temperature":
        motor = profile.actuator.motor
        return motor.ambient_temperature + motor.winding_rise * column(rows, "motor_heat")
    if measured == "output_speed":
        return np.abs(column(rows, "output_velocity_m_s"))
    unit = MEASURED_VALUES[measured][0]
    return column(rows, f"{measured}_{unit}")


def condition_words(step: WaitUntilStep) -> str:
    """Return the condition of a wait, as text."""
    parts = [
        f"{word} {text}" for word, text in (("above", step.above), ("below", step.below)) if text
    ]
    lasting = f" for {step.holds:g} s" if step.holds else ""
    return f"{step.measured.replace('_', ' ')} {' and '.join(parts)}{lasting}"


def _reset() -> Generator[Action, Seen, None]:
    # A controlled stop takes its time, and a reset is refused until it is over.
    for _ in range(60):
        seen = yield Ask(Reset())
        if seen.accepted:
            yield from wait_for_state(State.DE_ENERGISED)
            return
        yield Pause(BREATH_S)
    raise ProcedureFailed(f"reset was refused: {seen.text}")


def _marker(moment: str, step: Any, values: dict[str, float]) -> Marker:
    kind = kind_of(step)
    tolerance = declared_tolerance(step, kind)
    declared = {} if tolerance is None else {"tolerance": tolerance}
    return Marker(text=f"{moment} {kind}: {step.measure}", values=values | declared)


def _setpoint_values(step: Any, hung: float) -> dict[str, float]:
    values: dict[str, float] = {}
    if step.do == "constant_force":
        values = {"setpoint_N": step.force}
    elif step.do == "virtual_spring":
        values = {"setpoint_N_per_mm": step.stiffness / 1e3}
        if step.push is not None and step.push.frequency is not None:
            values["push_Hz"] = step.push.frequency
    elif step.do == "hold_position":
        values = {"setpoint_mm": step.position * 1e3, "weight_kg": hung}
    return values


def describe(step: Any) -> str:
    """Return a step as one line for the operator."""
    words = str(step.do).replace("_", " ")
    if step.do in ("constant_force", "hold_position"):
        words = worded(words, words.replace("force", "torque").replace("position", "angle"))
    parts = []
    if isinstance(step, BesideStep):
        return f"wait beside '{step.beside}'"
    if isinstance(step, StoppedStep):
        return f"stop by '{step.sender}'"
    if isinstance(step, WaitUntilStep):
        return f"wait until {condition_words(step)}, at most {step.at_most:g} s"
    if isinstance(step, RampStep):
        return f"ramp of {step.of} from {step.begin} to {step.end} within {step.lasts:g} s"
    for key, of in (
        ("force", None if step.do == "push" else FORCE),  # a hand pushes the load with newtons
        ("stiffness", STIFFNESS),
        ("position", LENGTH),
        ("rest", LENGTH),
        ("mass", None),
    ):
        value = getattr(step, key, None)
        if isinstance(value, FollowedPart):
            parts.append(f"that follows '{value.axis}'")
            continue
        if value is None or (step.do == "waveform" and key != "stiffness"):
            continue
        if of is None:
            parts.append(f"{value:g} {'kg' if key == 'mass' else 'N'}")
        else:
            parts.append(f"{'at ' * (key == 'rest')}{of(value):g}{of}")
    if step.do == "waveform":
        parts = [step.shape, "of", step.of]
    if step.do == "marker":
        parts = [f"'{step.text}'"]
    if getattr(step, "push", None) is not None:
        parts.append("while a hand pushes")
    if getattr(step, "measure", None) is not None:
        parts.append(f"(measured: {step.measure})")
    return " ".join([words, *parts])
