"""Zero force: force, mass, damping and friction felt by a hand that moves the output."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drivers.motion import LENGTH, SPEED
from hil.control import ForceCalibration, moved_mass
from hil.core import Float
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Line,
    RecordedRun,
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
    under_power,
)
from hil.measure.loop_prediction import MASS_KNOWN
from hil.measure.predicted_rig import FRICTION_TRIED, Load, PredictedRig, half_range
from hil.measure.response import fundamental
from hil.measure.slope import bend_share
from hil.measure.weight_moves import rubbing_N
from hil.procedures import Hand, Pause, Push
from hil.profile import Profile, arm_ratio

FREQUENCIES_Hz = (0.8, 1.2, 1.8, 2.7)
SWING_M = 0.006  # of the output, either way
PERIODS = 8
SETTLE_PERIODS = 2
PREDICTED_PERIODS = 3  # hardly differ from one to the next
LEAST_SWING = 0.25  # of SWING_M: less may be the springs' own deflection
CAUSES = "dry friction that the feed-forward leaves, reflected mass, dead zone of the force loop"


def _push_N(profile: Profile, frequency_Hz: float) -> float:
    """Return the hand's force at the load point that swings the moved mass by ``SWING_M``.

    Against dry friction R of the rig a sine needs 4/π·R more (describing function; Gelb and
    Vander Velde, 1968, from memory).
    """
    moved = moved_mass(profile)[0] * (2 * math.pi * frequency_Hz) ** 2 * SWING_M
    return (moved + 4 / math.pi * rubbing_N(profile)) / arm_ratio(profile.rig)


def _run(profile: Profile) -> Part:
    yield from balanced_in_the_middle(profile)
    yield from under_power(envelope(profile, 0.5, 1.0), "Zero force: the lever follows the hand")
    for frequency in FREQUENCIES_Hz:
        yield from apply(Float())
        lasts = (SETTLE_PERIODS + PERIODS) / frequency
        yield Push(_push_N(profile, frequency), frequency, lasts + 0.1)
        yield Pause(SETTLE_PERIODS / frequency)
        yield from mark("begin hand", {"frequency_Hz": frequency})
        yield Pause(PERIODS / frequency)
        yield from mark("end hand", {})
        yield Hand("let_load_go", "Take the hand off the lever.")
        yield Pause(0.3)


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    felt, impedances, frequencies, swings = [], [], [], []
    for part in windows(run, "hand"):
        f = part.values["frequency_Hz"]
        time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        velocity = cut(run, part, "output_velocity_m_s")
        position = cut(run, part, "output_position_m")
        number = int((time_s[-1] - time_s[0]) * f + 0.05)
        for n in range(number):
            inside = (time_s >= time_s[0] + n / f) & (time_s < time_s[0] + (n + 1) / f)
            t, y, v = time_s[inside], force[inside], velocity[inside]
            felt.append((f, math.sqrt(float(np.mean(y**2))), math.sqrt(float(np.mean(v**2)))))
            # The force on the hand opposes its motion: the springs push the rod with −F.
            frequencies.append(f)
            # Velocity from the position's fundamental: the estimated one lags. A free lever drifts.
            swing = fundamental(t, position[inside], f, drifts=True)
            swings.append(abs(swing))
            impedances.append(-fundamental(t, y, f, drifts=True) / (2j * math.pi * f * swing))
    if len(felt) < 3 * len(FREQUENCIES_Hz):
        raise ValueError("the swings were not recorded")
    for frequency in FREQUENCIES_Hz:
        far = float(np.mean(np.array(swings)[np.array(frequencies) == frequency]))
        if far < LEAST_SWING * SWING_M:
            raise ValueError(
                f"the output was swung by {LENGTH(far):.1f}{LENGTH} each way at {frequency:g} Hz. "
                f"Fix: swing it by about {LENGTH(SWING_M):.0f}{LENGTH}"
            )
    table, z, at = np.array(felt), np.array(impedances), np.array(frequencies)
    found: list[Characteristic] = []
    count = abs(profile.calibration.deflection_per_count) * _stiffness(profile)
    # A force known to a share gives its mass and damping to that share.
    known = math.hypot(2 * profile.calibration.relative_uncertainty, bend_share(profile))
    conditions = f"zero force, balanced lever swung {LENGTH(SWING_M):.0f}{LENGTH} each way by hand"
    means = np.array([np.mean(z[at == f]) for f in FREQUENCIES_Hz])
    least = int(np.argmin(means.real))
    expected = {
        f: [
            *(_predicted(profile, f, factor) for factor in (1.0, *FRICTION_TRIED)),
            _predicted(profile, f, 1.0, math.cos),
        ]
        for f in {FREQUENCIES_Hz[0], FREQUENCIES_Hz[-1], FREQUENCIES_Hz[least]}
    }
    slow = table[:, 0] == FREQUENCIES_Hz[0]
    fast = table[:, 0] == FREQUENCIES_Hz[-1]
    for key, chosen, at_Hz in (
        ("slow", slow, FREQUENCIES_Hz[0]),
        ("fast", fast, FREQUENCIES_Hz[-1]),
    ):
        unsure = known * float(np.mean(table[chosen, 1]))
        value, u95 = mean_u95(table[chosen, 1], math.hypot(0.5 * count, unsure))
        rms = float(np.mean(table[chosen, 2]))
        way = float(np.mean(np.array(swings)[at == at_Hz]))
        felt_N = [swing.felt_N * way / swing.way_m for swing in expected[at_Hz]]
        found.append(
            Characteristic(
                f"zero_force.felt_{key}",
                f"Force felt at {at_Hz:g} Hz, rms",
                value,
                u95,
                "N",
                felt_N[0],
                math.hypot(half_range(felt_N), MASS_KNOWN * felt_N[0]),
                conditions=f"{conditions}, {SPEED(rms):.0f}{SPEED} rms",
                causes=CAUSES,
            )
        )
    w = 2 * math.pi * at
    each = z[fast].imag / w[fast]
    mass, mass_u95 = mean_u95(each, known * float(np.mean(each)))
    masses = [
        s.impedance.imag / (2 * math.pi * FREQUENCIES_Hz[-1]) for s in expected[FREQUENCIES_Hz[-1]]
    ]
    found.append(
        Characteristic(
            "zero_force.apparent_mass",
            f"Mass felt at the rod besides the lever's own, at {FREQUENCIES_Hz[-1]:g} Hz",
            mass,
            mass_u95,
            "kg",
            masses[0],
            math.hypot(half_range(masses), MASS_KNOWN * masses[0]),
            conditions=f"{conditions}; limit: the reflected mass, felt without a force loop",
            limit=profile.actuator.reflected_mass,
            causes=CAUSES,
        )
    )
    chosen = at == FREQUENCIES_Hz[least]
    size = float(np.mean(np.abs(z[chosen])))
    scale = 2 * profile.calibration.relative_uncertainty * float(np.mean(z[chosen].real))
    systematic = math.hypot(bend_share(profile) * size, scale)
    real, real_u95 = mean_u95(z[chosen].real, systematic)
    reals = [swing.impedance.real for swing in expected[FREQUENCIES_Hz[least]]]
    found.append(
        Characteristic(
            "zero_force.least_damping",
            "Least real part of the impedance (below 0: not passive)",
            real,
            real_u95,
            "N·s/m",
            reals[0],
            math.hypot(half_range(reals), MASS_KNOWN * size),
            limit=0.0,
            conditions=f"{conditions}, at {FREQUENCIES_Hz[least]:g} Hz",
            causes=CAUSES,
        )
    )
    tried = np.array(FREQUENCIES_Hz)
    diagram = Diagram(
        "Impedance at zero force",
        "frequency (Hz)",
        "impedance (N·s/m)",
        (
            Line("real part", tried, means.real, points=True),
            Line("imaginary part", tried, means.imag, points=True),
            Line("passivity", tried, np.zeros_like(tried), "limit"),
        ),
        True,
    )
    return Evaluation(tuple(found), (diagram,))


@dataclass(frozen=True)
class _Swing:
    """Impedance in N·s/m, force felt (rms) in N, amplitude of the output's swing in m."""

    impedance: complex
    felt_N: float
    way_m: float


def _predicted(
    profile: Profile,
    at_Hz: float,
    friction_factor: float,
    wave: Callable[[float], float] = math.sin,
) -> _Swing:
    """Return the swing by hand with the bench's law on the profile's plant.

    Near each reversal the friction feed-forward is silent, and the integral lags behind friction: a
    linear drag cannot show what both together do to the real part. It depends on how the swing begins:
    a sine of force leaves a free output a drift, a cosine does not.
    """
    rig = PredictedRig(
        profile,
        Load(moved_mass(profile)[0], friction_N=rubbing_N(profile)),
        0.0,
        middle_m(profile),
        friction_factor,
        noise=True,
    )
    push = _push_N(profile, at_Hz) * arm_ratio(profile.rig)
    period = round(1 / (at_Hz * rig.period_s))
    rows = []
    for n in range((SETTLE_PERIODS + PREDICTED_PERIODS) * period):
        t, x = n * rig.period_s, rig.output_m
        rig.step(lambda _x, _v: 0.0, push * wave(2 * math.pi * at_Hz * t))
        rows.append((t, rig.measured_N, x))
    found = []
    for part in np.split(np.array(rows), SETTLE_PERIODS + PREDICTED_PERIODS)[SETTLE_PERIODS:]:
        t, force, x = part.T
        swing = fundamental(t, x, at_Hz, drifts=True)
        z = -fundamental(t, force, at_Hz, drifts=True) / (2j * math.pi * at_Hz * swing)
        found.append((z, math.sqrt(np.mean(force**2)), abs(swing)))
    z, felt, way = np.mean(np.array(found), axis=0)
    return _Swing(complex(z), float(felt.real), float(way.real))


def _stiffness(profile: Profile) -> float:
    return ForceCalibration(profile.calibration, profile.sensors.deflection).stiffness(0.0)


TEST = GuardedTest(
    key="zero_force",
    title="Zero force",
    purpose="force, mass and damping felt by a hand that moves the output; passivity",
    risk="A hand is at the lever while power is on: only force and speed limits protect it.",
    fitting=("lever free",),
    lasts_s=lambda _profile: (
        4.0 + sum((SETTLE_PERIODS + PERIODS) / f + 0.5 for f in FREQUENCIES_Hz)
    ),
    run=_run,
    evaluate=_evaluate,
)
