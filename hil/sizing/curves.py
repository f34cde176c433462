"""Limits of a combination as curves, with the requirements as points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.motion import FORCE, SPEED, in_words, speaking, worded
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
    """Return force over nut speed while it pushes: current, supply, speeds.

    In the units of the choice's motion, as :func:`force_over_frequency`.
    """
    with speaking(choice.required.motion):
        return _force_over_speed(choice)


def _force_over_speed(choice: Combination) -> Chart:
    required, motor, per_metre = choice.required, choice.motor, choice.radians_per_metre
    bounds = choice.speed_bounds(0.0)
    others = {name: v for name, v in bounds.items() if name != "supply voltage"}
    free = choice.supply.most_shaft_rad_s(choice.winding, 0.0, motor.viscous) / per_metre
    points = [
        ("speed", required.speed, required.speed_force),
        (in_words("force"), 0.0, required.force),
    ]
    for i, load in enumerate(choice.loads):
        phase = load.phase
        if phase.force * phase.speed >= 0:
            # An acceleration loads the motor like this force.
            inertial = choice.mass_kg * phase.acceleration * math.copysign(1, phase.force)
            efficiency = choice.transmission.efficiency_forward
            force_N = abs(phase.force) + max(0.0, inertial * efficiency)
            points.append((f"duty {i + 1}", abs(phase.speed), force_N))
    widest = max(point[1] for point in points)
    last = 1.15 * max(min(free, *others.values()), widest, 1e-3)
    speed = np.linspace(0.0, last, POINTS)
    shaft = speed * per_metre
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
    if others[name] <= last:
        upright = np.full(2, others[name])
        curves.append(Curve(name, upright, np.array([0.0, top])))
    levels = (
        ("springs or sensor", choice.spring_N),
        ("buckling", choice.transmission.most_force_N),
        ("gear's repeated torque", choice.transmission.repeated_N),
    )
    for name, level in levels:
        if level <= top:
            curves.append(Curve(name, np.array([0.0, last]), np.full(2, level)))
    return Chart(
        in_words("Force over speed"),
        worded(f"Nut speed ({SPEED.unit})", f"Speed ({SPEED.unit})"),
        in_words(f"Force ({FORCE.unit})"),
        tuple(
            Curve(c.name, SPEED.factor * c.x, FORCE.factor * np.minimum(c.y, top)) for c in curves
        ),
        tuple((name, float(SPEED(x)), float(FORCE(y))) for name, x, y in points),
    )


def force_over_frequency(choice: Combination) -> Chart:
    """Return the largest sine of force over frequency in Hz, output blocked."""
    with speaking(choice.required.motion):
        return _force_over_frequency(choice)


def _force_over_frequency(choice: Combination) -> Chart:
    required = choice.required
    highest = 4 * max(sine.frequency for sine in required.sines)
    frequency = np.geomspace(0.2, max(highest, 50.0), POINTS)
    most = np.array([_most_N(choice, float(f)) for f in frequency])
    points = tuple(
        (f"{FORCE(s.amplitude):.4g}{FORCE}", s.frequency, float(FORCE(s.amplitude)))
        for s in required.sines
    )
    curve = Curve("possible", frequency, FORCE.factor * most)
    return Chart(
        in_words("Force over frequency"),
        "Frequency (Hz)",
        f"Amplitude ({FORCE.unit})",
        (curve,),
        points,
        x_log=True,
    )


def _most_N(choice: Combination, frequency_Hz: float) -> float:
    """Return the largest amplitude; the spring's slope depends on it, and it on the slope."""
    amplitude = choice.spring_N
    for _ in range(8):
        amplitude = 0.5 * (amplitude + choice.band(max(amplitude, 1e-3)).most_N(frequency_Hz)[0])
    return amplitude


def _curve(name: str, x: Array, y: list[float]) -> Curve:
    return Curve(name, x, np.array(y))
