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
PROPERTIES = (
    ("motor", "torque_constant"),
    ("motor", "winding_resistance"),
    ("motor", "rotor_inertia"),
    ("motor", "continuous_current"),
    ("motor", "peak_current"),
    ("motor", "coulomb"),
    ("screw", "lead"),
    ("screw", "efficiency_forward"),
    ("screw", "root_diameter"),
    ("screw", "free_length"),
    ("screw", "dynamic_rating"),
    ("springs", "wire_diameter"),
    ("springs", "coil_diameter"),
    ("springs", "active_coils"),
    ("springs", "free_length"),
    ("springs", "preload"),
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
    for part, name in PROPERTIES:
        before, after = _figures(choice, part, name, -STEP), _figures(choice, part, name, STEP)
        span = math.log((1 + STEP) / (1 - STEP))
        changes = [
            (key, math.log(after[key] / before[key]) / span)
            for key in before
            if before[key] > 0 and after.get(key, 0.0) > 0
        ]
        told = [(key, change) for key, change in changes if abs(change) >= LEAST]
        if told:
            told.sort(key=lambda one: -abs(one[1]))
            found.append(Sensitivity(part, name, tuple(told)))
    return found


def _figures(choice: Combination, part: str, name: str, step: float) -> dict[str, float]:
    changed = choice
    if part == "motor":
        changed = replace(choice, motor=_moved(choice.motor, name, step))
    elif part == "screw":
        changed = replace(choice, screw=_moved(choice.screw, name, step))
    else:
        changed = replace(choice, springs=_moved(choice.springs, name, step))
    return {
        figure.key: figure.value
        for figure in figures(changed)
        if figure.required is not None and math.isfinite(figure.value)
    }


def _moved(part: Moved, name: str, step: float) -> Moved:
    return part.model_copy(update={name: getattr(part, name) * (1 + step)})
