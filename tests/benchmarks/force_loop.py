"""The force loop of a blocked simulated rig: measured by sines and steps, predicted with friction."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "hil" / "control"))
from blocked_rig import FORCE, NET, TORQUE, BlockedRig  # type: ignore[import-not-found]

from drivers.simulated.parameters import RigParameters
from hil.control.dry_friction import friction_N, rubbed
from hil.control.force_design import ForceGains
from hil.control.force_model import Loop
from hil.profile.schema import Profile

STEP_N = (100.0, 250.0)


def response(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    frequency: float,
    level: float,
    amplitude: float,
    delay_cycles: int = 0,
) -> complex:
    """Return actual over desired force at one frequency, over whole periods after a second."""
    rig = BlockedRig(profile, gains=gains, parameters=parameters, delay_cycles=delay_cycles)
    period = rig.period
    settled = round(1.0 / period)
    count = round(round(frequency) / frequency / period)
    rows = rig.run(
        (settled + count) * period,
        lambda t: level + amplitude * math.sin(2 * math.pi * frequency * t),
    )
    n = np.arange(settled, settled + count)
    turn = np.exp(-2j * np.pi * frequency * period * n)
    return 2j * complex(np.mean((rows[n, FORCE] - level) * turn)) / amplitude


def bandwidth(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    level: float,
    amplitude: float,
    delay_cycles: int = 0,
) -> float:
    """Return the measured −3 dB point, interpolated between sines around the predicted one."""
    expected = gains.predicted.bandwidth_Hz
    frequencies = expected * np.array([0.7, 0.8, 0.88, 0.95, 1.02, 1.1, 1.2, 1.35])
    sizes = [
        abs(response(profile, gains, parameters, f, level, amplitude, delay_cycles))
        for f in frequencies
    ]
    for (f0, s0), (f1, s1) in zip(
        zip(frequencies, sizes, strict=True),
        list(zip(frequencies, sizes, strict=True))[1:],
        strict=False,
    ):
        if s0 >= math.sqrt(0.5) > s1:
            return float(f0 + (s0 - math.sqrt(0.5)) / (s0 - s1) * (f1 - f0))
    return math.nan


def margin(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    level: float,
    push_N: float,
    near_Hz: float,
    delay_cycles: int = 0,
) -> float:
    """Return the phase margin in degrees at the crossover near ``near_Hz``, by sines added to the
    torque."""
    gear = 1 / profile.actuator.radians_per_metre
    frequencies = near_Hz * np.array([0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25])
    loops = []
    for frequency in frequencies:
        rig = BlockedRig(profile, gains=gains, parameters=parameters, delay_cycles=delay_cycles)
        period = rig.period
        settled, count = round(1.0 / period), round(round(frequency) / frequency / period)
        rows = rig.run(
            (settled + count) * period,
            lambda t: level,
            lambda t, f=frequency: push_N * gear * math.sin(2 * math.pi * f * t),
        )
        n = np.arange(settled, settled + count)
        turn = np.exp(-2j * np.pi * frequency * period * n)
        answer, sent = np.mean(rows[n, TORQUE] * turn), np.mean(rows[n, NET] * turn)
        loops.append(-answer / sent)
    return least_margin(frequencies, np.array(loops))[1]


def least_margin(frequencies: np.ndarray, loops: np.ndarray) -> tuple[float, float]:
    """Return (frequency, phase margin in degrees) of the crossover with the least margin."""
    sizes = np.log(np.abs(loops))
    found = [(math.nan, math.nan)]
    for i in np.nonzero(sizes[:-1] * sizes[1:] < 0)[0]:
        share = sizes[i] / (sizes[i] - sizes[i + 1])
        phase = np.angle(-loops[i] * (loops[i + 1] / loops[i]) ** share)
        found.append(
            (
                float(frequencies[i] + share * (frequencies[i + 1] - frequencies[i])),
                abs(math.degrees(phase)),
            )
        )
    return min(found, key=lambda crossing: crossing[1] if crossing[1] == crossing[1] else 1e3)


def at_sine(loop: Loop, friction: float, given: str, size: float, frequency: float) -> Loop:
    """Return ``rubbed`` at the velocity that the loop itself then has, by iteration."""
    found = loop
    for _ in range(12):
        deflection = abs(found.response("deflection", given, np.array([frequency]))[0]) * size
        found = rubbed(loop, friction, 2 * math.pi * frequency * deflection)
    return found


def predicted_margin(profile: Profile, loop: Loop, level: float, push: float) -> float:
    """Return the phase margin with full friction: at a steady setpoint the feed-forward adds
    nothing."""
    frequencies = crossover(loop) * np.linspace(0.5, 1.3, 60)
    friction = friction_N(profile, level)
    loops = [
        at_sine(loop, friction, "torque_N", push, f).opened(np.array([f]))[0] for f in frequencies
    ]
    return least_margin(frequencies, np.array(loops))[1]


def crossover(loop: Loop) -> float:
    """Return the frequency at which the model crosses gain 1 with the least phase margin."""
    frequencies = loop.frequencies()
    return least_margin(frequencies, loop.opened(frequencies))[0]


def step_figures(
    profile: Profile, gains: ForceGains, parameters: RigParameters | None
) -> tuple[float, float, float]:
    """Return overshoot as a share of the step, steady error in N, torque ripple at rest in N·m."""
    rig = BlockedRig(profile, gains=gains, parameters=parameters)
    low, high = STEP_N
    rig.run(1.0, lambda t: low)
    rows = rig.run(2.0, lambda t: high)
    late = rows[-1000:]
    # The mean of three samples: one count of noise is not an overshoot.
    smooth = np.convolve(rows[:, FORCE], np.ones(3) / 3, "valid")
    return (
        max(0.0, (smooth.max() - high) / (high - low)),
        abs(late[:, FORCE].mean() - high),
        float(late[:, TORQUE].std()),
    )
