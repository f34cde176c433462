"""Limits of a combination as curves, with the requirements as points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.sizing.combination import Combination

Array = NDArray[np.float64]
POINTS = 121


@dataclass(frozen=True)
class Curve:
    """A bound: no point beyond it is possible."""

    name: str
    x: Array
    y: Array


@dataclass(frozen=True)
class Chart:
    """Curves and required points (name, x, y) over the same axes."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    points: tuple[tuple[str, float, float], ...]
    x_log: bool = False


def force_over_speed(choice: Combination) -> Chart:
    """Return force in N over nut speed in mm/s while it pushes: current, supply, speeds."""
    required, motor, per_metre = choice.required, choice.motor, choice.radians_per_metre
    bounds = choice.speed_bounds(0.0)
    others = {name: v for name, v in bounds.items() if name != "supply voltage"}
    free = choice.supply.most_shaft_rad_s(choice.winding, 0.0, motor.viscous) / per_metre
    points = [("speed", 1e3 * required.speed, required.speed_force), ("force", 0.0, required.force)]
    for i, load in enumerate(choice.loads):
        phase = load.phase
        if phase.force * phase.speed >= 0:
            # An acceleration loads the motor like this force.
            inertial = choice.mass_kg * phase.acceleration * math.copysign(1, phase.force)
            efficiency = choice.screw.efficiency_forward
            asked = abs(phase.force) + max(0.0, inertial * efficiency)
            points.append((f"duty {i + 1}", 1e3 * abs(phase.speed), asked))
    widest = max(point[1] for point in points)
    last = 1.15 * max(1e3 * min(free, *others.values()), widest, 1.0)
    speed = np.linspace(0.0, last, POINTS)
    shaft = speed / 1e3 * per_metre
    standing = choice.standing_current_A
    curves = [
        _curve("peak current", speed, [choice.force_N(choice.most_current_A, w) for w in shaft]),
        _curve(
            "continuous current",
            speed,
            [choice.force_N(standing if w == 0 else motor.continuous_current, w) for w in shaft],
        ),
        _curve(
            "supply voltage",
            speed,
            [choice.force_N(choice.supply.most_current_A(choice.winding, w), w) for w in shaft],
        ),
    ]
    top = 1.25 * max(choice.force_N(choice.most_current_A), required.force)
    name = min(others, key=lambda key: others[key])
    if 1e3 * others[name] <= last:
        upright = np.full(2, 1e3 * others[name])
        curves.append(Curve(name, upright, np.array([0.0, top])))
    for name, level in (("springs or sensor", choice.spring_N), ("buckling", choice.buckling_N)):
        if level <= top:
            curves.append(Curve(name, np.array([0.0, last]), np.full(2, level)))
    clipped = tuple(Curve(c.name, c.x, np.minimum(c.y, top)) for c in curves)
    return Chart("Force over speed", "Nut speed (mm/s)", "Force (N)", clipped, tuple(points))


def force_over_frequency(choice: Combination) -> Chart:
    """Return the largest sine of force in N over frequency in Hz, output blocked."""
    required = choice.required
    highest = 4 * max(sine.frequency for sine in required.sines)
    frequency = np.geomspace(0.2, max(highest, 50.0), POINTS)
    most = np.array([_most_N(choice, float(f)) for f in frequency])
    points = tuple((f"{s.amplitude:.4g} N", s.frequency, s.amplitude) for s in required.sines)
    curve = Curve("possible", frequency, most)
    return Chart(
        "Force over frequency", "Frequency (Hz)", "Amplitude (N)", (curve,), points, x_log=True
    )


def _most_N(choice: Combination, frequency_Hz: float) -> float:
    """Return the largest amplitude; the spring's slope depends on it, and it on the slope."""
    amplitude = choice.spring_N
    for _ in range(8):
        amplitude = 0.5 * (amplitude + choice.band(max(amplitude, 1e-3)).most_N(frequency_Hz)[0])
    return amplitude


def _curve(name: str, x: Array, y: list[float]) -> Curve:
    return Curve(name, x, np.array(y))
