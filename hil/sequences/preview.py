"""Setpoints of a sequence over time, and those that this rig would limit or refuse."""

from __future__ import annotations

import math
from collections.abc import Sequence as Seq
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from hil.control import Gains, check_behaviour, start_behaviour
from hil.core import Limit, Waveform, label
from hil.profile import Problem, Profile
from hil.sequences.axes_sequence import AxesSequence
from hil.sequences.axes_steps import BesideStep, StoppedStep
from hil.sequences.performing import describe
from hil.sequences.sequence import Sequence, unfit
from hil.sequences.sequence_steps import (
    BehaviourStep,
    CoupledStep,
    EnergiseStep,
    PowerOffStep,
    ResetStep,
    StopStep,
)

SAMPLES = 800  # for the whole sequence; a step has at least two
# Only the bench knows the force loop's own bounds on stiffness and damping.
_NO_LOOP = cast(
    Gains,
    SimpleNamespace(most_stiffness_N_m=math.inf, most_damping=lambda _k: math.inf, lead_s=0.0),
)


@dataclass(frozen=True)
class Preview:
    """Setpoints of a sequence over its planned time.

    Attributes:
        time_s, force_N, position_m: setpoints, shape (n,); NaN where there is none.
        begins_s: beginning of every step, and end of the last, shape (steps + 1,).
        words: description of every step.
        refused: what the rig cannot do. limited: setpoints that its limits would cut, as text.
    """

    time_s: NDArray[np.float64]
    force_N: NDArray[np.float64]
    position_m: NDArray[np.float64]
    begins_s: NDArray[np.float64]
    words: tuple[str, ...]
    refused: tuple[Problem, ...]
    limited: tuple[str, ...]


def preview(sequence: Sequence, profile: Profile, lengths: Seq[float] | None = None) -> Preview:
    """Return the setpoints of a sequence over its planned time.

    A wait for a measured value takes no time here. The load and the bounds of the force loop, which
    only the bench knows, are judged when a behaviour is applied.

    Args:
        lengths: duration of each step in s, if the axis waits for others at its end; shape (steps,).
    """
    if lengths is None:
        lengths = [sequence.length(step) for step in sequence.steps]
    rows: list[tuple[float, float, float]] = []
    begins, words = [0.0], []
    refused, limited = list(unfit(sequence, profile)), []
    position, acting = profile.limits.travel.lower, None
    spacing_s = max(sum(lengths), 1.0) / SAMPLES
    for step, at, length in zip(sequence.steps, sequence.written, lengths, strict=True):
        words.append(describe(step))
        if isinstance(step, EnergiseStep | PowerOffStep | StopStep | ResetStep):
            acting = None
        elif isinstance(step, BehaviourStep):
            checked = check_behaviour(step.behaviour(), profile, _NO_LOOP)
            if checked.refusal is not None:
                what, _, fix = checked.refusal.partition("; ")
                refused.append(at.problem("do", what, fix or "lower the setpoint"))
            for limit in Limit:
                if checked.limited_mask >> limit & 1:
                    line = at.problem("do", "", "").line
                    limited.append(f"line {line}: {describe(step)}: limited by {label(limit)}")
            # What another axis will measure is not known here.
            acting = (
                None
                if isinstance(step, CoupledStep)
                else start_behaviour(checked.behaviour, profile, position, 0.0, _NO_LOOP)
            )
        count = max(2, math.ceil(length / spacing_s) + 1) if length else 0
        dt = length / (count - 1) if count else 0.0
        for n in range(count):
            force = math.nan
            if acting is not None:
                force, position = _setpoint(acting, position, dt if n else 0.0)
            here = position if acting is not None and math.isfinite(acting.rest_m) else math.nan
            rows.append((begins[-1] + n * dt, force, here))
        begins.append(begins[-1] + length)
    table = np.array(rows).reshape(-1, 3)
    return Preview(
        table[:, 0],
        table[:, 1],
        table[:, 2],
        np.array(begins),
        tuple(words),
        tuple(refused),
        tuple(dict.fromkeys(limited)),
    )


def axes_words(sequence: AxesSequence) -> tuple[str, ...]:
    """Return the description of every step, with the axis that it is for: a line for each axis."""
    found = []
    for steps in zip(*(each.steps for each in sequence.sequences.values()), strict=True):
        of_axis = dict(zip(sequence.sequences, steps, strict=True))
        texts = {
            axis: describe(step).partition(" (measured")[0]
            for axis, step in of_axis.items()
            if not isinstance(step, BesideStep)
        }
        if any(isinstance(step, StoppedStep) for step in steps):
            found.append("all: stop")
        elif len(texts) == len(steps) and len(set(texts.values())) == 1:
            found.append(f"all: {next(iter(texts.values()))}")
        else:
            found.append("\n".join(f"{axis}: {text}" for axis, text in texts.items()))
    return tuple(found)


def wave_setpoints(
    behaviour: Waveform, profile: Profile, samples: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return time in s and setpoint (N, or m of the rest position), each of shape (samples,)."""
    end_s = behaviour.points[-1][0] if behaviour.shape == "table" else behaviour.duration_s
    acting = start_behaviour(behaviour, profile, 0.0, 0.0, _NO_LOOP)
    dt = end_s / (samples - 1)
    values = []
    for _ in range(samples):
        force = acting.force(0.0, 0.0, dt)
        values.append(acting.rest_m if behaviour.of == "rest" else force)
    return np.linspace(0.0, end_s, samples), np.array(values)


def _setpoint(acting: Any, position_m: float, dt_s: float) -> tuple[float, float]:
    """Return force (NaN for a spring or a move) and position after one more ``dt_s``."""
    before = acting.rest_m if math.isfinite(acting.rest_m) else position_m
    force = acting.force(before, 0.0, dt_s)
    if math.isfinite(acting.rest_m):
        return math.nan, acting.rest_m
    return force, position_m
