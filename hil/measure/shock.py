"""Shock: a weight laid on at once, then one dropped, the screw held: peak, energy, rebound, blow."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drivers.motion import in_words
from hil.control import ForceCalibration, moved_mass
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Line,
    RecordedRun,
    windows,
)
from hil.measure.guarded import GuardedTest, Part, balanced_in_the_middle, mark
from hil.measure.seen_swing import SeenSwing, seen_swing
from hil.measure.slope import bend_share
from hil.procedures import Confirm, Drop, Hand, Hang, Pause
from hil.profile import Profile

WATCH_S = 3.0
BEFORE_S = 0.5
PEAK_SHARE = 0.9  # of the limits of force and deflection, at most
LEAST_DROP_MM, MOST_DROP_MM = 2, 50  # whole millimetres, as blocks are stacked by hand
HEIGHT_M = 0.001  # of a prop, expanded: common practice, no source
FALL_SHARE = 0.08  # of a prediction by energy: no damping, no friction
REBOUND_SHARE = 2 * FALL_SHARE  # down and up again
CAUSES = (
    "springs softer or stiffer than the profile's, or a different preload; damping and friction of "
    "lever and springs; a weight that fell further than stated"
)
FREE = "Remove the counterweight: the lever hangs on the springs."
SUPPORT = "Take the weight off and balance the lever again."


@dataclass(frozen=True)
class Blow:
    """Prediction for a weight that lands on an output hanging on its springs, the nut held.

    Attributes:
        own_N, weight_N: weight of the output itself and of the added one, at the rod.
        speed_m_s: speed of both together at the rod, right after the weight has landed without
            rebound.
        peak_N, trough_N: extremes of the force by energy, without damping: the springs absorb the energy
            and the work of both, and return it.
        blow_N: v·√(k·m), by the stiffness where both come to rest.
    """

    own_N: float
    weight_N: float
    speed_m_s: float
    peak_N: float
    trough_N: float
    blow_N: float

    @property
    def rebound(self) -> float:
        rests = self.own_N + self.weight_N
        return (rests - self.trough_N) / (self.peak_N - rests)


def predicted_blow(profile: Profile, mass_kg: float, height_m: float = 0.0) -> Blow:
    """Return the prediction for a weight that falls by ``height_m`` before it pulls at the load point.

    For a linear spring it is F = W + √(W² + k·m·v²) above the force before, W the weight at the rod.
    """
    own_kg, own_N, kg_per_N = moved_mass(profile)
    gravity = profile.rig.gravity
    arms = kg_per_N * gravity
    weight_N = mass_kg * gravity * arms
    landed_kg = mass_kg * arms**2
    both_kg = own_kg + landed_kg
    # The load point moves ``arms`` times as fast as the rod.
    speed = landed_kg / both_kg * math.sqrt(2 * gravity * height_m) / max(arms, 1e-9)
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    start = _deflection_m(profile, own_N)
    before = _energy_J(calibration, start)
    brought = 0.5 * both_kg * speed**2

    def left(d: float) -> float:
        given = (own_N + weight_N) * (d - start) + brought
        return given - (_energy_J(calibration, d) - before)

    top = 4 * profile.limits.deflection.tripped
    from scipy.optimize import brentq  # slow to load

    rests = _deflection_m(profile, own_N + weight_N)
    peak = float(calibration.force(brentq(left, max(rests, start + 1e-5), top)))
    stiffness = calibration.stiffness(rests)
    # A weight that is only laid on comes back to where it began.
    back = brentq(left, -top, start) if brought > 0.0 else start
    trough = float(calibration.force(back))
    return Blow(own_N, weight_N, speed, peak, trough, speed * math.sqrt(stiffness * both_kg))


def weight_laid_on(profile: Profile) -> float:
    """Return the heaviest weight in kg whose peak is permitted, 0 if none is."""
    _mass, own_N, kg_per_N = moved_mass(profile)
    most = PEAK_SHARE * profile.limits.force.limited
    weights = profile.rig.weights if own_N > 0.0 else ()
    return max(
        (m for m in weights if own_N + 2 * m * profile.rig.gravity**2 * kg_per_N <= most),
        default=0.0,
    )


def weight_dropped(profile: Profile) -> tuple[float, float]:
    """Return mass in kg and height in m of the drop: the lightest weight, the greatest permitted height.

    Both 0 if not even the lightest may be dropped by ``LEAST_DROP_MM``.
    """
    mass = min(profile.rig.weights, default=0.0)
    if not mass or weight_laid_on(profile) == 0.0:
        return 0.0, 0.0
    deflection = PEAK_SHARE * profile.limits.deflection.limited
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    most = min(PEAK_SHARE * profile.limits.force.limited, calibration.force(deflection))
    for height in range(MOST_DROP_MM, LEAST_DROP_MM - 1, -1):
        if predicted_blow(profile, mass, 1e-3 * height).peak_N <= most:
            return mass, 1e-3 * height
    return 0.0, 0.0


def _run(profile: Profile) -> Part:
    laid = weight_laid_on(profile)
    dropped, height = weight_dropped(profile)
    yield from balanced_in_the_middle(profile)
    yield Hand("hold_screw", "Hold the screw firmly, so that the nut stays where it is.")
    if laid:
        yield Hand("free_load", FREE)
        yield from mark("begin shock", {"weight_kg": laid})
        yield Pause(BEFORE_S)
        yield Hang(laid)
        yield Pause(WATCH_S)
        yield from mark("end shock", {})
        yield Hand("support_load", SUPPORT)
        yield Hang(0.0)
    if dropped:
        yield Hand("free_load", FREE)
        prepared = in_words(
            f"A weight is dropped: {dropped:g} kg by {1e3 * height:.0f} mm. Stand it on a prop next to "
            "the load point, not below the lever, and tie it there with a strap that cannot stretch, "
            f"slack enough that the weight falls {1e3 * height:.0f} mm, no farther, before it pulls. "
            "Pull the prop away from the side, with a cord; a second, longer strap to the frame "
            "catches the weight. Never put a hand or foot below weight or lever. Is it ready?"
        )
        ready = yield Confirm(prepared)
        if ready.accepted:
            yield from mark("begin drop", {"weight_kg": dropped, "height_m": height})
            yield Pause(BEFORE_S)
            yield Drop(dropped, height)
            yield Pause(WATCH_S)
            yield from mark("end drop", {})
        yield Hand("support_load", SUPPORT)
        yield Hang(0.0)
    yield Hand("let_screw_go", "Release the screw.")


def _energy_J(calibration: ForceCalibration, deflection_m: float) -> float:
    d = np.linspace(0.0, deflection_m, 200)
    return float(np.trapezoid([calibration.force(float(x)) for x in d], d))


def _deflection_m(profile: Profile, force_N: float) -> float:
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    most = 2 * profile.limits.deflection.tripped
    from scipy.optimize import brentq  # slow to load

    return float(brentq(lambda d: calibration.force(d) - force_N, -most, most))


def _stated_N(profile: Profile, force_N: float) -> float:
    stated = profile.calibration
    return 2 * math.hypot(stated.absolute_uncertainty, stated.relative_uncertainty * force_N)


def _peak_and_energy(
    seen: SeenSwing,
    profile: Profile,
    name: str,
    title: str,
    expected: tuple[float, float],
    how: str,
) -> list[Characteristic]:
    """Return peak force and energy in the springs; ``expected`` is the peak and its uncertainty."""
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    u95 = math.hypot(2 * seen.spread_N / 3, _stated_N(profile, seen.peak_N))
    top = _deflection_m(profile, seen.peak_N)
    energy, _ = seen.taken_J()
    own_N = moved_mass(profile)[1]
    seen_m, peak_m = _deflection_m(profile, own_N), _deflection_m(profile, expected[0])
    return [
        Characteristic(
            f"shock.{name}peak",
            f"Peak force of a {title}",
            seen.peak_N,
            u95,
            "N",
            *expected,
            profile.limits.force.tripped,
            conditions=how,
            causes=CAUSES,
        ),
        Characteristic(
            f"shock.{name}energy",
            f"Energy absorbed by the springs, {title}",
            energy,
            seen.peak_N / calibration.stiffness(top) * u95,
            "J",
            _energy_J(calibration, peak_m) - _energy_J(calibration, seen_m),
            expected[0] / calibration.stiffness(peak_m) * expected[1],
            conditions=how,
            causes=CAUSES,
        ),
    ]


def _laid_on(seen: SeenSwing, profile: Profile, mass: float) -> list[Characteristic]:
    how = f"screw held, {mass:g} kg laid on the lever at once"
    blow = predicted_blow(profile, mass)
    predicted = blow.peak_N
    own_kg, own_N, kg_per_N = moved_mass(profile)
    arms = kg_per_N * profile.rig.gravity
    rests = _deflection_m(profile, own_N + mass * profile.rig.gravity * arms)
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    moved_kg = own_kg + mass * arms**2
    frequency = math.sqrt(calibration.stiffness(rests) / moved_kg) / (2 * math.pi)
    expected = predicted, FALL_SHARE * predicted
    return [
        *_peak_and_energy(seen, profile, "", "weight laid on at once", expected, how),
        Characteristic(
            "shock.rebound",
            "Rebound, share of the first swing",
            seen.rebound,
            _rebound_u95(seen, profile),
            "1",
            blow.rebound,
            REBOUND_SHARE * blow.rebound,
            conditions=how,
            causes=CAUSES,
        ),
        Characteristic(
            "shock.frequency",
            "Natural frequency on the springs, weight on the lever",
            1 / seen.period_s,
            0.02 / seen.period_s,
            "Hz",
            frequency,
            FALL_SHARE * frequency,
            conditions=how,
            causes="springs unlike the profile's, a swing that passes their knee, mass of the lever",
        ),
    ]


def _dropped(
    seen: SeenSwing, profile: Profile, mass: float, height_m: float
) -> list[Characteristic]:
    how = f"screw held, {mass:g} kg on a slack strap dropped {1e3 * height_m:.0f} mm onto the load point"
    expected = predicted_blow(profile, mass, height_m)
    # v is proportional to the root of the height.
    unsure = 0.5 * HEIGHT_M / height_m
    peak_u95 = math.hypot(FALL_SHARE * expected.peak_N, unsure * expected.blow_N)
    blow, blow_u95 = _blow_N(seen, profile)
    return [
        *_peak_and_energy(
            seen, profile, "drop_", "dropped weight", (expected.peak_N, peak_u95), how
        ),
        Characteristic(
            "shock.drop_blow",
            "Blow of a dropped weight, v·√(k·m)",
            blow,
            blow_u95,
            "N",
            expected.blow_N,
            math.hypot(unsure, 2 * FALL_SHARE) * expected.blow_N,
            conditions=f"{how}; energy in the springs less the weights' work, k where they rest",
            causes="another height than stated, a strap or a lever that yields, friction, damping",
        ),
        Characteristic(
            "shock.drop_rebound",
            "Rebound after a dropped weight, share of the first swing",
            seen.rebound,
            _rebound_u95(seen, profile),
            "1",
            expected.rebound,
            REBOUND_SHARE * expected.rebound,
            conditions=how,
            causes=f"a strap that goes slack on the way up, {CAUSES}",
        ),
    ]


def _blow_N(seen: SeenSwing, profile: Profile) -> tuple[float, float]:
    """Return v·√(k·m) = √(2·E·k) and its expanded uncertainty, E the energy of the fall alone.

    E is the energy absorbed by the springs less the work of output and weight on the way to the peak,
    so that a knee of the springs does no harm; k is the slope about where they come to rest.
    """
    _, energy = seen.taken_J()
    if energy <= 0.0:
        raise ValueError("the weight brought no energy: it was not dropped")
    about = np.abs(seen.force_N - seen.settled_N) < 0.2 * (seen.peak_N - seen.settled_N)
    slope = float(np.polyfit(seen.deflection_m[about], seen.force_N[about], 1)[0])
    blow = math.sqrt(2 * energy * slope)
    stated, way = profile.calibration, (seen.peak_N - seen.rest_N) / slope
    peak = (seen.peak_N - seen.settled_N) / slope * 2 * seen.spread_N / 3
    # Errors of the calibration at rest and at the peak need not be the same.
    zero = math.sqrt(2) * 2 * stated.absolute_uncertainty * way
    scale = 2 * stated.relative_uncertainty * energy
    apart = math.sqrt(2) * 2 * stated.absolute_uncertainty / (seen.peak_N - seen.rest_N)
    stiffness = energy * math.hypot(apart, bend_share(profile, seen.settled_N))
    return blow, 0.5 * blow / energy * math.hypot(peak, zero, scale, stiffness)


def _rebound_u95(seen: SeenSwing, profile: Profile) -> float:
    """Return the expanded uncertainty of the rebound, a ratio of differences of three forces."""
    swing, ratio = seen.peak_N - seen.settled_N, seen.rebound
    each = 2 * profile.calibration.absolute_uncertainty
    noise = 2 * math.hypot(seen.spread_N, 0.3 * seen.spread_N)
    return math.hypot(noise, each * math.hypot(1 + ratio, 1.0, ratio)) / swing + 0.01


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    found: list[Characteristic] = []
    diagrams: list[Diagram] = []
    notes: list[str] = []
    for name, title in (("shock", "Weight laid on at once"), ("drop", "Weight dropped")):
        parts = windows(run, name)
        if not parts:
            none = name == "shock" or weight_dropped(profile) == (0.0, 0.0)
            why = "no weight of the profile is light enough for its peak" if none else "left out"
            notes.append(f"Shock, {title[0].lower()}{title[1:]}: {why}.")
            continue
        values = parts[0].values
        mass, height = values["weight_kg"], values.get("height_m", 0.0)
        seen = seen_swing(run, parts[0])
        found += (
            _dropped(seen, profile, mass, height)
            if name == "drop"
            else _laid_on(seen, profile, mass)
        )
        diagrams.append(_diagram(seen, title, predicted_blow(profile, mass, height).peak_N))
    return Evaluation(tuple(found), tuple(diagrams), tuple(notes))


def _diagram(seen: SeenSwing, title: str, predicted_N: float) -> Diagram:
    step = max(1, len(seen.force_N) // 600)
    after_s = seen.time_s - seen.time_s[seen.begin]
    return Diagram(
        title,
        "time (s)",
        "spring force (N)",
        (
            Line("measured", after_s[::step], seen.force_N[::step]),
            Line(
                "peak by energy",
                np.array([0.0, float(after_s[-1])]),
                np.array([predicted_N, predicted_N]),
                "predicted",
            ),
        ),
    )


TEST = GuardedTest(
    key="shock",
    title="Shock",
    purpose="peak force, energy in the springs and rebound of a weight laid on at once and dropped",
    risk="The lever swings with the weight on it, power off, and a weight falls: stand clear of both, "
    "no hand or foot below.",
    fitting=("lever free", "weights"),
    lasts_s=lambda _profile: 14.0 + 2 * WATCH_S,
    run=_run,
    evaluate=_evaluate,
)
