"""Shock: a weight laid on at once, the screw held; peak force, energy in the springs, rebound."""

from __future__ import annotations

import math

import numpy as np

from hil.control import ForceCalibration, moved_mass
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Line,
    RecordedRun,
    cut,
    windows,
)
from hil.measure.guarded import GuardedTest, Part, balanced_in_the_middle, mark
from hil.procedures import Hand, Hang, Pause
from hil.profile import Profile

WATCH_S = 3.0
BEFORE_S = 0.5
PEAK_SHARE = 0.9  # of the force limit, at most


def _weight(profile: Profile) -> tuple[float, float]:
    """(mass in kg, its force in N at the rod) of the heaviest weight whose peak is permitted.

    Raises:
        ValueError: none is light enough.
    """
    _mass, own_N, kg_per_N = moved_mass(profile)
    arms = kg_per_N * profile.rig.gravity
    best = (0.0, 0.0)
    for mass in profile.rig.weights:
        force = mass * profile.rig.gravity * arms
        if own_N + 2 * force <= PEAK_SHARE * profile.limits.force.limited and mass > best[0]:
            best = (mass, force)
    return best


def _run(profile: Profile) -> Part:
    mass, _force = _weight(profile)
    yield from balanced_in_the_middle(profile)
    yield Hand("hold_screw", "Hold the screw fast, so that the nut stays where it is.")
    yield Hand("free_load", "Take the counterweight away: the lever hangs on the springs.")
    if mass:
        yield from mark("begin shock", {"weight_kg": mass})
        yield Pause(BEFORE_S)
        yield Hang(mass)
        yield Pause(WATCH_S)
        yield from mark("end shock", {})
        yield Hand("support_load", "Take the weight off and balance the lever again.")
        yield Hang(0.0)
    yield Hand("let_screw_go", "Let the screw go.")


def _energy_J(calibration: ForceCalibration, deflection_m: float) -> float:
    d = np.linspace(0.0, deflection_m, 200)
    return float(np.trapezoid([calibration.force(float(x)) for x in d], d))


def _predicted_peak_N(profile: Profile) -> float:
    """Return the peak by energy: the springs take what the weight gives, no damping.

    For a linear spring and a weight that falls with speed v it is F = W + √(W² + k·m·v²); v is 0.
    """
    _moved, own_N, _ = moved_mass(profile)
    _mass, force = _weight(profile)
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    start = _deflection_m(profile, own_N)
    before = _energy_J(calibration, start)

    def left(d: float) -> float:
        return (own_N + force) * (d - start) - (_energy_J(calibration, d) - before)

    top = 2 * profile.limits.deflection.tripped
    from scipy.optimize import brentq  # slow to load

    return float(calibration.force(brentq(left, start + 1e-5, top)))


def _deflection_m(profile: Profile, force_N: float) -> float:
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    most = 2 * profile.limits.deflection.tripped
    from scipy.optimize import brentq  # slow to load

    return float(brentq(lambda d: calibration.force(d) - force_N, -most, most))


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    parts = windows(run, "shock")
    if not parts:
        return Evaluation(notes=("Shock: no weight of the profile is light enough for its peak.",))
    time_s, force = cut(run, parts[0], "time_s"), cut(run, parts[0], "spring_force_N")
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    moving = np.nonzero(np.abs(force - force[0]) > 0.05 * np.ptp(force))[0]
    begin = int(moving[0])
    rest = float(np.median(force[: max(begin - 5, 1)]))
    # A parabola through the top takes the noise off the highest sample.
    top = int(np.argmax(force))
    near = slice(max(0, top - 12), top + 13)
    a, b, c = np.polyfit(time_s[near] - time_s[top], force[near], 2)
    peak = float(c - b * b / (4 * a))
    spread = float(np.std(force[near] - np.polyval((a, b, c), time_s[near] - time_s[top])))
    after = force[top:]
    settled = float(np.mean(force[-500:]))
    trough = float(np.min(after))
    rebound = (settled - trough) / (peak - settled)
    stated = 2 * math.hypot(
        profile.calibration.absolute_uncertainty, profile.calibration.relative_uncertainty * peak
    )
    u95 = math.hypot(2 * spread / 3, stated)
    energy = _energy_J(calibration, _deflection_m(profile, peak))
    energy -= _energy_J(calibration, _deflection_m(profile, rest))
    per_force = energy / peak * 2
    up = np.nonzero((force[begin:-1] < settled) & (force[begin + 1 :] >= settled))[0]
    period = float(np.mean(np.diff(time_s[begin + up[:4]]))) if len(up) > 2 else math.nan
    mass = parts[0].values["weight_kg"]
    conditions = f"screw held, {mass:g} kg laid on the lever at once"
    predicted = _predicted_peak_N(profile)
    found = (
        Characteristic(
            "shock.peak",
            "Peak force of a weight laid on at once",
            peak,
            u95,
            "N",
            predicted,
            0.08 * predicted,
            profile.limits.force.tripped,
            conditions=conditions,
            causes="damping and friction of lever and springs, a weight that fell some way",
        ),
        Characteristic(
            "shock.energy",
            "Energy that the springs take",
            energy,
            per_force * u95,
            "J",
            conditions=conditions,
        ),
        Characteristic(
            "shock.rebound",
            "Rebound, share of the first swing",
            rebound,
            2 * math.hypot(spread, 0.3 * spread) / (peak - settled) + 0.01,
            "1",
            conditions=conditions,
        ),
        Characteristic(
            "shock.frequency",
            "Natural frequency on the springs, weight on the lever",
            1 / period,
            0.02 / period,
            "Hz",
            conditions=conditions,
        ),
    )
    step = max(1, len(force) // 600)
    diagram = Diagram(
        "Weight laid on at once",
        "time (s)",
        "spring force (N)",
        (
            Line("measured", (time_s - time_s[begin])[::step], force[::step]),
            Line(
                "peak by energy",
                np.array([0.0, float(time_s[-1] - time_s[begin])]),
                np.array([predicted, predicted]),
                "predicted",
            ),
        ),
    )
    return Evaluation(found, (diagram,))


TEST = GuardedTest(
    key="shock",
    title="Shock",
    purpose="peak force, energy in the springs and rebound of a weight laid on at once",
    risk="The lever swings with the weight on it, power off; stand clear of both.",
    fitting=("lever free", "weights"),
    lasts_s=lambda _profile: 8.0 + WATCH_S,
    run=_run,
    evaluate=_evaluate,
)
