"""A checked sequence for several axes: a sequence for each, with common step boundaries."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from hil.sequences.axes_steps import BesideStep, CoupledForceStep, CoupledSpringStep, StoppedStep
from hil.sequences.sequence import Sequence as AxisSequence
from hil.sequences.sequence import Written, stretch_for
from hil.sequences.sequence_steps import BehaviourStep, EnergiseStep, PowerOffStep, StopStep

Placed = Sequence[tuple[Any, Written]]
Round = dict[str, tuple[Any, Written]]


@dataclass(frozen=True)
class AxesSequence:
    """A sequence for several axes.

    Attributes:
        axes: the axes file that the sequence names, if any.
        sequences: sequence of each axis; step n runs at the same time on all axes.
    """

    name: str
    description: str
    axes: str | None
    sequences: Mapping[str, AxisSequence]

    @property
    def seconds(self) -> float:
        """Total duration of the steps, in s (without starts, answers and waits)."""
        return float(sum(self.lengths))

    @property
    def lengths(self) -> tuple[float, ...]:
        """Duration of each step in s, until the next one begins on every axis."""
        sequences = self.sequences.values()
        lengths = ([each.length(step) for step in each.steps] for each in sequences)
        return tuple(max(beside) for beside in zip(*lengths, strict=True))

    def stretched(self, stretch: float) -> AxesSequence:
        """Return the same sequence with all times multiplied by this factor."""
        return replace(
            self, sequences={axis: each.stretched(stretch) for axis, each in self.sequences.items()}
        )

    def fitted(self, seconds: float) -> AxesSequence:
        """Return the same sequence with a total duration of about ``seconds`` s.

        Raises:
            ValueError: the duration is too short for the sequence's measurements.
        """
        return self.stretched(stretch_for(seconds, self.name, lambda s: self.stretched(s).seconds))


def rounds_of(placed: Placed, axes: Sequence[str]) -> list[Round]:
    """Return the steps of each axis between two step boundaries; an axis without one waits."""
    rounds: list[Round] = []
    before = 0
    for step, at in placed:
        if not at.axis:
            rounds.append(dict.fromkeys(axes, (step, at)))
        elif at.together and at.together == before and at.axis not in rounds[-1]:
            rounds[-1][at.axis] = (step, at)
        else:
            rounds.append({at.axis: (step, at)})
        before = at.together
    return [_filled(each, axes) for each in rounds]


def _filled(steps: Round, axes: Sequence[str]) -> Round:
    """Return a round with a step for every axis; a stop of one axis stops all."""
    for axis, (step, at) in steps.items():
        if isinstance(step, StopStep):
            stopped = StoppedStep.model_construct(**dict(step), sender=axis)
            return {other: (step if other == axis else stopped, at) for other in axes}
    longest = max(steps, key=lambda axis: getattr(steps[axis][0], "lasts", 0.0))
    step, at = steps[longest]
    wait = BesideStep.model_construct(
        do="wait", note="", lasts=getattr(step, "lasts", 0.0), beside=longest
    )
    return {axis: steps.get(axis, (wait, at)) for axis in axes}


def check_followed(
    rounds: Sequence[Round], axes: Sequence[str], wrong: Callable[[Written, str, str, str], None]
) -> None:
    """Check that no axis follows itself, an unknown axis, or an axis that follows it.

    Args:
        wrong: called with the place, the key, the error and the fix.
    """
    follows: dict[str, str] = {}
    for steps in rounds:
        for axis, (step, at) in steps.items():
            if isinstance(step, CoupledSpringStep | CoupledForceStep):
                followed = step.rest if isinstance(step, CoupledSpringStep) else step.force
                key = "rest" if isinstance(step, CoupledSpringStep) else "force"
                follows[axis] = followed.axis
                if followed.axis == axis:
                    others = [other for other in axes if other != axis]
                    fix = f"name the axis that follows, such as 'axis: {others[0]}'"
                    wrong(at, key, f"the axis '{axis}' would follow itself", fix)
                    return
            elif isinstance(step, BehaviourStep | EnergiseStep | PowerOffStep | StopStep):
                follows.pop(axis, None)
        for axis, (step, at) in steps.items():
            circle = _circle(axis, follows)
            if circle and isinstance(step, CoupledSpringStep | CoupledForceStep):
                key = "rest" if isinstance(step, CoupledSpringStep) else "force"
                what = f"axes that follow each other: {' → '.join(circle)}"
                wrong(at, key, what, "let one of them hold its own setpoint")
                return


def _circle(axis: str, follows: Mapping[str, str]) -> list[str]:
    """Return the axes of the circle that begins at this axis; empty if it is in no circle."""
    way = [axis]
    while (following := follows.get(way[-1])) is not None and following not in way:
        way.append(following)
    return [*way, axis] if following == axis else []
