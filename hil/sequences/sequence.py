"""A checked sequence: its steps, its figures, its time, and whether a rig can do it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

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
LEAST_SHARE = 0.35  # of its own time a step keeps when a sequence is shortened
SETTLE_SHARE = 0.6


@dataclass(frozen=True)
class Written:
    """Place of a step: ``path`` within the file of ``source``."""

    source: Source
    path: tuple[str | int, ...]

    def problem(self, key: str, what: str, fix: str) -> Problem:
        """Return a problem at this step, or at its ``key``."""
        return self.source.problem((*self.path, key) if key else self.path, what, fix)


@dataclass(frozen=True)
class Sequence:
    """A checked sequence, its loops and sub-sequences written out.

    Attributes:
        steps: in the order in which they are performed.
        written: where each of them is written down.
        values: of the parameters, as they are written.
        stretch: multiplies the times that may be scaled.
    """

    name: str
    description: str
    profile: str | None
    steps: tuple[Any, ...]
    written: tuple[Written, ...]
    values: dict[str, Any]
    stretch: float = 1.0

    @property
    def seconds(self) -> float:
        """Duration of the steps together, in s (starts, answers and waits come on top)."""
        return sum(self.length(step) for step in self.steps)

    @property
    def longest_wait_s(self) -> float:
        """Longest duration of its waits for measured values, in s."""
        return sum(step.at_most for step in self.steps if isinstance(step, WaitUntilStep))

    @property
    def needs_person(self) -> bool:
        """True if somebody has to act at a real rig: loads, pushes, the load's support."""
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
        """Time that a step takes at the present stretch, in s."""
        lasts = getattr(step, "lasts", 0.0)
        return max(least_length(step), lasts * self.stretch) if lasts else 0.0

    def settle(self, step: Lasting) -> float:
        """Time in s before a step's measurement; gives way when a sequence is shortened."""
        spare = self.length(step) - least_window(step)
        return max(SETTLE_SHARE * step.settle, min(step.settle, spare))

    def fitted(self, seconds: float) -> Sequence:
        """The same sequence in about ``seconds`` s in all.

        Raises:
            ValueError: too short for its measurements to mean anything.
        """
        least = sum(least_length(step) for step in self.steps if getattr(step, "lasts", 0.0))
        if seconds < least:
            raise ValueError(
                f"{seconds:g} s is too short for the sequence '{self.name}': its movements and "
                f"measurements need at least {math.ceil(least)} s"
            )
        low, high = 0.0, max(2.0, 2.0 * seconds / self.seconds)
        for _ in range(60):
            middle = (low + high) / 2
            shorter = replace(self, stretch=middle).seconds < seconds
            low, high = (middle, high) if shorter else (low, middle)
        return replace(self, stretch=high)


def kind_of(step: Any) -> str:
    """Kind of the figure that a step's ``measure`` gives."""
    if isinstance(step, HangStep | HoldPositionStep):
        return "hold"
    return str(step.do)


def least_window(step: Lasting) -> float:
    """Shortest measurement in s: a push must come round in it."""
    push = step.push
    if push is None or push.frequency is None:
        return LEAST_MEASURED_S
    return max(LEAST_MEASURED_S, 1.5 / push.frequency)


def least_length(step: Any) -> float:
    """Shortest time a step can be given and still mean something, in s."""
    lasts: float = getattr(step, "lasts", 0.0)
    least = LEAST_SHARE * lasts
    if isinstance(step, RampStep):
        return lasts  # its slope is asked for
    if isinstance(step, HoldPositionStep):
        # A move needs its time whatever the clock says.
        least = max(least, 0.75 * lasts)
    if isinstance(step, Lasting) and step.measure is not None:
        least = max(least, SETTLE_SHARE * step.settle + least_window(step))
    return min(least, lasts)


def unfit(sequence: Sequence, profile: Profile) -> list[Problem]:
    """Return the demands of a sequence that this rig cannot meet: loads it does not have."""
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
