"""Impedance by weights: stiffness and damping of a virtual spring on which a known mass swings."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import LENGTH, STIFFNESS
from hil.bringup import make_safe
from hil.control import left_over_N, moved_mass
from hil.core import VirtualSpring
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    Window,
    cut,
    mean_u95,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    balanced_in_the_middle,
    envelope,
    mark,
    middle_m,
    move_to,
    under_power,
)
from hil.measure.impedance import designed_gains, designed_impedance, skew_s, stiffest
from hil.measure.slope import slope_share
from hil.measure.weight_moves import weights_lifted
from hil.procedures import Hand, Hang, Pause, Push, wait_until_resting
from hil.profile import Profile, arm_ratio

SHARE = 0.5  # of the highest permitted stiffness
NUDGES = 6
NUDGE_S = 0.05
SWING_M = 0.0015
SETTLE_S = 1.0
PERIODS = 2.5  # of the swing, evaluated: later it has died away in friction
BEFORE_S = 0.4  # the swing begins with a nudge from rest
BACK_S, EVEN_S, HIGHEST_Hz = 1.0, 1e-3, 80.0  # of the motion whose force is predicted
SMOOTH = 21  # samples of force, position and velocity alike, so that none lags behind another


def _swung(profile: Profile) -> list[tuple[float, float, float]]:
    """Return (mass in kg, total moved mass at the rod in kg, its weight there in N) by weight."""
    own_kg, _own_N, per_N = moved_mass(profile)
    arms = per_N * profile.rig.gravity
    found = []
    for mass, force, _speed in weights_lifted(profile):
        found.append((mass, own_kg + mass * arms**2, force))
    return found


def _stiffness(profile: Profile) -> float:
    return SHARE * stiffest(profile, designed_gains(profile))


def _period_s(profile: Profile, mass_kg: float) -> float:
    return 2 * math.pi * math.sqrt(mass_kg / _stiffness(profile))


def _run(profile: Profile) -> Part:
    stiffness, middle = _stiffness(profile), middle_m(profile)
    yield from balanced_in_the_middle(profile)
    for mass, moved, weight in _swung(profile):
        yield from make_safe()
        yield Hand("free_load", "Remove the counterweight: the lever sinks to its end stop.")
        yield Hang(mass)
        yield from wait_until_resting()
        yield from under_power(envelope(profile), f"{mass:g} kg swings on a virtual spring")
        yield from move_to(profile, middle)
        # It rests at mid-travel, its weight on the spring.
        yield from apply(VirtualSpring(rest_m=middle + weight / stiffness, stiffness_N_m=stiffness))
        yield Pause(SETTLE_S)
        force = math.sqrt(stiffness * moved) * SWING_M / NUDGE_S / arm_ratio(profile.rig)
        for n in range(NUDGES):
            yield Push((-1) ** n * force, 0.0, NUDGE_S)
            yield Pause(2 * NUDGE_S)
            yield from mark("begin swing", {"weight_kg": mass})
            yield Pause(PERIODS * _period_s(profile, moved))
            yield from mark("end swing", {})
            yield Pause(SETTLE_S)
    yield from make_safe()
    yield Hand("support_load", "Take the weight off and balance the lever again.")
    yield Hang(0.0)


def spring_and_damper(run: RecordedRun, part: Window) -> tuple[float, float]:
    """Return the stiffness in N/m and damping in N·s/m that relate force to motion."""
    t, x = cut(run, part, "time_s"), cut(run, part, "output_position_m")
    return _fitted(t, x, cut(run, part, "spring_force_N"))


def _fitted(t: Floats, x: Floats, force: Floats) -> tuple[float, float]:
    """Return K and B of F = c − K·x − B·v by least squares; all three are smoothed alike."""
    window = np.hanning(SMOOTH + 2)[1:-1]
    window /= np.sum(window)
    smooth_x = np.convolve(x, window, "valid")
    smooth_f = np.convolve(force, window, "valid")
    times = np.convolve(t, window, "valid")
    v = np.gradient(smooth_x, times)
    table = np.column_stack((np.ones_like(v), -(smooth_x - smooth_x.mean()), -v))
    (_, stiffness, damping), *_ = np.linalg.lstsq(table, smooth_f, rcond=None)
    return float(stiffness), float(damping)


def _designed(
    run: RecordedRun, parts: list[Window], profile: Profile, stiffness: float, friction_N: float
) -> tuple[float, float]:
    """Return the mean K in N/m and B in N·s/m of the designed loop's force on the recorded motion.

    Force follows the motion by −Z(jω), from the rest before the nudge on. A swing that dies away
    within a period is not a sine: its fit may find B below 0 though Re Z is above, in the design as
    in the measurement.
    """
    before = round(BEFORE_S * profile.control.rate)
    motions = []
    for part in parts:
        whole = Window(part.name, max(0, part.begin - before), part.end, part.values)
        t, x = cut(run, whole, "time_s"), cut(run, whole, "output_position_m")
        even = np.arange(t[0], t[-1], EVEN_S)
        moved = np.interp(even, t, x)
        rest = float(np.mean(moved[: round(0.5 * BEFORE_S / EVEN_S)]))
        motions.append((even, moved - rest, float(t[part.begin - whole.begin])))
    speed = math.sqrt(
        2 * float(np.mean([np.mean(np.gradient(x, EVEN_S) ** 2) for _, x, _ in motions]))
    )
    longest = max(len(x) for _, x, _ in motions)
    # It comes back to rest smoothly, and rests until the response has passed.
    back = 0.5 * (1 + np.cos(np.linspace(0.0, math.pi, round(BACK_S / EVEN_S))))
    number = 2 ** math.ceil(math.log2(2 * (longest + len(back))))
    f: Floats = np.fft.rfftfreq(number, EVEN_S).astype(np.float64)
    low = (f > 0.0) & (f < HIGHEST_Hz)
    per_metre = np.zeros(len(f), dtype=complex)
    per_metre[0] = stiffness
    z = designed_impedance(profile, stiffness, f[low], friction_N, max(speed, 1e-4))
    per_metre[low] = 2j * math.pi * f[low] * z
    found = []
    for even, x, begin in motions:
        padded = np.zeros(number)
        padded[: len(x)] = x
        padded[len(x) : len(x) + len(back)] = x[-1] * back
        force = np.fft.irfft(-per_metre * np.fft.rfft(padded), number)[: len(x)]
        inside = even >= begin
        found.append(_fitted(even[inside], x[inside], force[inside]))
    stiff, damping = np.mean(np.array(found), axis=0)
    return float(stiff), float(damping)


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    swung = _swung(profile)
    if not swung:
        return Evaluation(
            notes=("Impedance: no weight of the profile can swing within the limits.",)
        )
    set_N_m = _stiffness(profile)
    stated = profile.calibration
    found: list[Characteristic] = []
    at: list[float] = []
    real: list[float] = []
    for mass, moved, weight in swung:
        relative = slope_share(stated, weight)
        parts = [p for p in windows(run, "swing") if p.values["weight_kg"] == mass]
        pairs = np.array([spring_and_damper(run, part) for part in parts])
        if len(pairs) < 3:
            raise ValueError(f"{len(pairs)} swings of {mass:g} kg were recorded")
        frequency = 1 / _period_s(profile, moved)
        at.append(frequency)
        designed = [
            _designed(run, parts, profile, set_N_m, friction_N)
            for friction_N in (left_over_N(profile, weight), 0.0)
        ]
        found += _of_weight(pairs, profile, mass, frequency, (set_N_m, relative), designed)
        real.append(found[-1].value)
    dense = np.geomspace(0.5, 8.0, 60)
    design = designed_impedance(profile, set_N_m, dense)
    diagram = Diagram(
        "Real part of the impedance, by weights",
        "frequency (Hz)",
        "real part (N·s/mm)",
        (
            Line("measured", np.array(at), np.array(real), points=True, joined=False),
            Line("design", dense, 1e-3 * design.real, "predicted"),
            Line("passivity", dense, np.zeros_like(dense), "limit"),
        ),
        True,
    )
    return Evaluation(tuple(found), (diagram,))


def _of_weight(
    pairs: Floats,
    profile: Profile,
    mass: float,
    frequency: float,
    known: tuple[float, float],
    designed: list[tuple[float, float]],
) -> list[Characteristic]:
    set_N_m, relative = known
    conditions = (
        f"virtual spring of {STIFFNESS(set_N_m):.1f}{STIFFNESS} without damping, {mass:g} kg on the "
        f"lever, nudged by hand, about {LENGTH(SWING_M):.2g}{LENGTH}, {frequency:.2g} Hz"
    )
    stiffness, stiffness_u95 = mean_u95(1e-3 * pairs[:, 0], 1e-3 * relative * set_N_m)
    systematic = math.hypot(set_N_m * skew_s(profile), relative * float(np.mean(pairs[:, 1])))
    damping, damping_u95 = mean_u95(1e-3 * pairs[:, 1], 1e-3 * systematic)
    (rendered, theory), (without, smooth) = designed
    least = 0.1 * set_N_m / (2 * math.pi * frequency)
    return [
        Characteristic(
            f"impedance_weights.stiffness_{mass:g}_kg",
            f"Stiffness met by {mass:g} kg",
            stiffness,
            stiffness_u95,
            "N/mm",
            1e-3 * rendered,
            1e-3 * math.hypot(0.05 * set_N_m, rendered - without),
            conditions=conditions,
            causes="dry friction, dead zone of the force loop, calibration",
        ),
        Characteristic(
            f"impedance_weights.damping_{mass:g}_kg",
            f"Damping met by {mass:g} kg, fitted to its swing",
            damping,
            damping_u95,
            "N·s/mm",
            1e-3 * theory,
            1e-3 * math.hypot(least, theory - smooth),
            conditions=conditions,
            causes="dry friction left over by the force loop (it dissipates energy)",
        ),
    ]


TEST = GuardedTest(
    key="impedance_weights",
    title="Impedance by weights",
    purpose="stiffness and damping met by a known mass that swings on a virtual spring",
    risk="A hand nudges the lever while power is on and a weight hangs on it; keep clear below it.",
    fitting=("lever free", "weights"),
    lasts_s=lambda profile: (
        7.0
        + sum(
            9.0 + SETTLE_S + NUDGES * (2 * NUDGE_S + PERIODS * _period_s(profile, moved) + SETTLE_S)
            for _mass, moved, _weight in _swung(profile)
        )
    ),
    run=_run,
    evaluate=_evaluate,
)
