"""A checked sequence: steps, figures, duration, and its fitness for a rig."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from drivers.motion import Motion
from hil.profile import Problem, Profile, Source
from hil.sequences.sequence_steps import (
    EnergiseStep,
    HangStep,
    HoldPositionStep,
    Lasting,
    PushStep,
    RampStep,
    WaitUntilStep,
)

LEAST_MEASURED_S = 1.0
LEAST_SHARE = 0.35  # of its own time that a step keeps when a sequence is shortened
SETTLE_SHARE = 0.6


@dataclass(frozen=True)
class Written:
    """Place of a step: ``path`` within the file of ``source``.

    Attributes:
        axis: axis for which it is; '' for every one. together: number of the list of steps that
            begin at once, 0 outside one.
    """

    source: Source
    path: tuple[str | int, ...]
    axis: str = ""
    together: int = 0

    def problem(self, key: str, what: str, fix: str) -> Problem:
        """Return a problem at this step, or at its ``key``."""
        return self.source.problem((*self.path, key) if key else self.path, what, fix)


@dataclass(frozen=True)
class Sequence:
    """A checked sequence with its loops and sub-sequences expanded.

    Attributes:
        steps: steps in the order in which they are performed.
        written: place of each step in its file.
        values: values of the parameters, as written.
        stretch: factor on the times that may be scaled.
        motion: kind of motion of the rig that its quantities are for.
        powering: indices of the steps that power an axis on, of any axis if there are several.
    """

    name: str
    description: str
    profile: str | None
    steps: tuple[Any, ...]
    written: tuple[Written, ...]
    values: dict[str, Any]
    stretch: float = 1.0
    motion: Motion = "linear"
    powering: frozenset[int] = frozenset()

    @property
    def seconds(self) -> float:
        """Total duration of the steps, in s (without starts, answers and waits)."""
        return sum(self.length(step) for step in self.steps)

    @property
    def longest_wait_s(self) -> float:
        """Longest total duration of its waits for measured values, in s."""
        return sum(step.at_most for step in self.steps if isinstance(step, WaitUntilStep))

    @property
    def needs_person(self) -> bool:
        """True if a person has to act at a real rig: loads, pushes, the load's support."""
        return any(
            isinstance(step, HangStep | EnergiseStep | PushStep)
            or getattr(step, "push", None) is not None
            for step in self.steps
        )

    @property
    def figures(self) -> list[tuple[str, str]]:
        """(kind, name) of everything the sequence measures."""
        return [
            (kind_of(step), step.measure)
            for step in self.steps
            if getattr(step, "measure", None) is not None
        ]

    def length(self, step: Any) -> float:
        """Return the time that a step takes at the present stretch, in s."""
        lasts = getattr(step, "lasts", 0.0)
        return max(least_length(step), lasts * self.stretch) if lasts else 0.0

    def settle(self, step: Lasting) -> float:
        """Return the time in s before a step's measurement; a shortened sequence reduces it."""
        spare = self.length(step) - least_window(step)
        return max(SETTLE_SHARE * step.settle, min(step.settle, spare))

    def fitted(self, seconds: float) -> Sequence:
        """Return the same sequence with a total duration of about ``seconds`` s.

        Raises:
            ValueError: too short for its measurements to mean anything.
        """
        return self.stretched(stretch_for(seconds, self.name, lambda s: self.stretched(s).seconds))

    def stretched(self, stretch: float) -> Sequence:
        """Return the same sequence with this factor on its times."""
        return replace(self, stretch=stretch)


def stretch_for(seconds: float, name: str, lasting: Callable[[float], float]) -> float:
    """Return the factor on the times of a sequence at which it lasts about ``seconds`` s.

    Args:
        lasting: total duration in s at a factor.

    Raises:
        ValueError: too short for its measurements to mean anything.
    """
    least = lasting(0.0)
    if seconds < least:
        raise ValueError(
            f"{seconds:g} s is too short for the sequence '{name}': its movements and "
            f"measurements need at least {math.ceil(least)} s"
        )
    low, high = 0.0, max(2.0, 2.0 * seconds / lasting(1.0))
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if lasting(middle) < seconds else (low, middle)
    return high


def kind_of(step: Any) -> str:
    """Return the kind of figure that a step's ``measure`` gives."""
    if isinstance(step, HangStep | HoldPositionStep):
        return "hold"
    return str(step.do)


def least_window(step: Lasting) -> float:
    """Return the shortest measurement in s: it must contain a period of the push."""
    push = step.push
    if push is None or push.frequency is None:
        return LEAST_MEASURED_S
    return max(LEAST_MEASURED_S, 1.5 / push.frequency)


def least_length(step: Any) -> float:
    """Return the shortest meaningful time of a step, in s."""
    lasts: float = getattr(step, "lasts", 0.0)
    least = LEAST_SHARE * lasts
    if isinstance(step, RampStep):
        return lasts  # its slope is a setpoint
    if isinstance(step, HoldPositionStep):
        # A move needs its time.
        least = max(least, 0.75 * lasts)
    if isinstance(step, Lasting) and step.measure is not None:
        least = max(least, SETTLE_SHARE * step.settle + least_window(step))
    return min(least, lasts)


def unfit(sequence: Sequence, profile: Profile) -> list[Problem]:
    """Return the demands of a sequence that this rig cannot meet: weights that it lacks."""
    if sequence.motion != profile.motion:
        sentence = f"its quantities are those of a {sequence.motion} actuator"
        fix = f"'{profile.name}' is {profile.motion}: write the sequence in its units"
        return [sequence.written[0].source.problem(("profile",), sentence, fix)]
    weights = profile.rig.weights
    problems = []
    for i, step in enumerate(sequence.steps):
        if (
            isinstance(step, HangStep)
            and step.mass > 0
            and weights
            and not any(math.isclose(step.mass, weight, rel_tol=1e-6) for weight in weights)
        ):
            known = ", ".join(f"{weight:g} kg" for weight in weights)
            problems.append(
                sequence.written[i].problem(
                    "mass",
                    f"the rig '{profile.name}' has no weight of {step.mass:g} kg",
                    f"write one of {known}, or add it to the profile's rig.weights",
                )
            )
    return problems
