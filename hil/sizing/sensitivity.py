"""Sensitivity of each figure to each property of a part: percent per percent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

from hil.profile import Part
from hil.sizing.combination import Combination
from hil.sizing.figures import figures

Moved = TypeVar("Moved", bound=Part)
STEP = 0.01
LEAST = 0.01  # percent for a percent; smaller changes are left out
MOTOR = (
    "torque_constant",
    "winding_resistance",
    "rotor_inertia",
    "continuous_current",
    "peak_current",
    "coulomb",
)


@dataclass(frozen=True)
class Sensitivity:
    """Percent that figures change for one percent more of a property, the largest first."""

    part: str
    property: str
    changes: tuple[tuple[str, float], ...]


def sensitivities(choice: Combination) -> list[Sensitivity]:
    """Return the sensitivity of every required figure to every property that moves one."""
    found = []
    properties = [
        *(("motor", name) for name in MOTOR),
        *((choice.transmission.KIND, name) for name in choice.transmission.PROPERTIES),
        *(("springs", name) for name in choice.springs.PROPERTIES),
    ]
    for part, name in properties:
        before, after = _figures(choice, part, name, -STEP), _figures(choice, part, name, STEP)
        span = math.log((1 + STEP) / (1 - STEP))
        changes = [
            (key, math.log(after[key] / before[key]) / span)
            for key in before
            if before[key] > 0 and after.get(key, 0.0) > 0
        ]
        shown = [(key, change) for key, change in changes if abs(change) >= LEAST]
        if shown:
            shown.sort(key=lambda one: -abs(one[1]))
            found.append(Sensitivity(part, name, tuple(shown)))
    return found


def _figures(choice: Combination, part: str, name: str, step: float) -> dict[str, float]:
    changed = choice
    if part == "motor":
        changed = replace(choice, motor=_moved(choice.motor, name, step))
    elif part == "springs":
        changed = replace(choice, springs=_moved(choice.springs, name, step))
    else:
        changed = replace(choice, transmission=_moved(choice.transmission, name, step))
    return {
        figure.key: figure.value
        for figure in figures(changed)
        if figure.required is not None and math.isfinite(figure.value)
    }


def _moved(part: Moved, name: str, step: float) -> Moved:
    return part.model_copy(update={name: getattr(part, name) * (1 + step)})
