"""Impedance of virtual springs: Z(jω) by hand, and the map of stiffness and damping rendered."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from drivers.motion import DAMPING, LENGTH, STIFFNESS
from hil.control import (
    ForceGains,
    Loop,
    design_over_torque,
    highest,
    left_over_N,
    moved_mass,
    observer_gains,
    passive_bounds,
    rubbed,
)
from hil.core import VirtualSpring
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
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
    move_to,
    under_power,
)
from hil.measure.loop_prediction import COMMAND_DELAY_CYCLES
from hil.measure.response import Complex, fundamental
from hil.measure.slope import bend_share
from hil.procedures import Hand, Pause, Push
from hil.profile import Profile, arm_ratio

TRIED_Hz = (0.8, 1.4, 2.4)
STIFFNESS_SHARES = {"soft": 0.25, "stiff": 0.75}  # of the highest permitted stiffness
SWING_M = 0.0015
PERIODS, SETTLE_PERIODS = 6, 2
MAP_STIFFNESS = (0.25, 0.55, 0.85)
MAP_DAMPING = (0.0, 0.5, 1.0)  # of the most permitted at that stiffness
NUDGES = 3
NUDGE_S = 0.03
NUDGE_M = 0.0012
WATCH_S = 0.6
LATE_S = 0.2  # last part of WATCH_S
SKEW_PERIODS = 0.04
LEFT_KNOWN = 5.0  # of a swing left, in %, expanded: common practice, no source
CALM = 0.3  # of the first swing, left then; above it the spring does not come to rest


def designed_gains(profile: Profile) -> ForceGains:
    """Return the force loop as the bench designs it."""
    period = 1.0 / profile.control.rate
    return design_over_torque(profile, period, COMMAND_DELAY_CYCLES * period)


def stiffest(profile: Profile, gains: ForceGains) -> float:
    """Return the stiffest virtual spring that is permitted, N/m."""
    return min(passive_bounds(profile)[0], gains.most_stiffness_N_m)


def _grid(profile: Profile) -> list[tuple[float, float]]:
    """Return (stiffness in N/m, damping in N·s/m) of the map."""
    gains = designed_gains(profile)
    found = []
    for share in MAP_STIFFNESS:
        stiffness = share * stiffest(profile, gains)
        most = min(profile.limits.damping, gains.most_damping(stiffness))
        found += [(stiffness, part * most) for part in MAP_DAMPING]
    return found


def _run(profile: Profile) -> Part:
    most = stiffest(profile, designed_gains(profile))
    mass, middle = moved_mass(profile)[0], middle_m(profile)
    yield from balanced_in_the_middle(profile)
    yield from under_power(envelope(profile), "Virtual springs at mid-travel, moved by hand")
    yield from move_to(profile, middle)
    for name, share in STIFFNESS_SHARES.items():
        stiffness = share * most
        yield from apply(VirtualSpring(rest_m=middle, stiffness_N_m=stiffness))
        for frequency in TRIED_Hz:
            w = 2 * math.pi * frequency
            force = max(abs(stiffness - mass * w**2), 0.2 * stiffness) * SWING_M
            lasts = (SETTLE_PERIODS + PERIODS) / frequency
            yield Push(force / arm_ratio(profile.rig), frequency, lasts + 0.1)
            yield Pause(SETTLE_PERIODS / frequency)
            yield from mark(f"begin {name}", {"frequency_Hz": frequency, "stiffness": stiffness})
            yield Pause(PERIODS / frequency)
            yield from mark(f"end {name}", {})
            yield Hand("let_load_go", "Take the hand off the lever.")
    for stiffness, damping in _grid(profile):
        yield from apply(
            VirtualSpring(rest_m=middle, stiffness_N_m=stiffness, damping_N_s_m=damping)
        )
        yield Pause(0.3)
        force = mass * math.sqrt(stiffness / mass) * NUDGE_M / NUDGE_S / arm_ratio(profile.rig)
        for n in range(NUDGES):
            yield Push((-1) ** n * force, 0.0, NUDGE_S)
            yield from mark("begin nudge", {"stiffness": stiffness, "damping": damping})
            yield Pause(WATCH_S)
            yield from mark("end nudge", {})


def _dynamic(run: RecordedRun, name: str) -> tuple[Floats, Complex]:
    """Return (frequency of each period, stiffness −F/X that the hand feels in it, N/m)."""
    at, found = [], []
    for part in windows(run, name):
        f = part.values["frequency_Hz"]
        t, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        position = cut(run, part, "output_position_m")
        for n in range(int((t[-1] - t[0]) * f + 0.05)):
            inside = (t >= t[0] + n / f) & (t < t[0] + (n + 1) / f)
            at.append(f)
            found.append(
                -fundamental(t[inside], force[inside], f)
                / fundamental(t[inside], position[inside], f)
            )
    if len(found) < 3 * len(TRIED_Hz):
        raise ValueError("the swings were not recorded")
    return np.array(at), np.array(found)


def designed_impedance(
    profile: Profile,
    stiffness: float,
    at_Hz: Floats,
    friction_N: float = 0.0,
    speed_m_s: float = 1.0,
    damping: float = 0.0,
) -> Complex:
    """Return Z = −F/v at the rod of the designed loop that renders a spring.

    Args:
        stiffness, damping: stiffness and damping of the virtual spring, N/m and N·s/m.
        friction_N: dry friction that the feed-forward leaves, as its drag for sines of this
            amplitude of ``speed_m_s``.
    """
    period = 1.0 / profile.control.rate
    gains = designed_gains(profile)
    loop = Loop(
        gains.plant,
        gains.law,
        observer_gains(profile, period),
        driven=True,
        virtual_stiffness=stiffness,
        virtual_damping=damping,
        lead_s=gains.lead_s,
    )
    loop = rubbed(loop, friction_N, speed_m_s)
    deflection = loop.response("deflection", "acceleration_m_s2", at_Hz)
    velocity = loop.response("output_velocity", "acceleration_m_s2", at_Hz)
    return np.asarray(-gains.plant.stiffness * deflection / velocity)


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    gains = designed_gains(profile)
    found: list[Characteristic] = []
    lines, sizes = [], []
    dense = np.geomspace(0.5, 8.0, 60)
    relative = math.hypot(2 * profile.calibration.relative_uncertainty, bend_share(profile))
    for name, share in STIFFNESS_SHARES.items():
        set_N_m = share * stiffest(profile, gains)
        at, dynamic = _dynamic(run, name)
        conditions = (
            f"virtual spring of {STIFFNESS(set_N_m):.1f}{STIFFNESS} without damping, balanced lever swung by "
            f"hand, {LENGTH(SWING_M):.2g}{LENGTH}"
        )
        slow = at == TRIED_Hz[0]
        value, u95 = mean_u95(1e-3 * dynamic[slow].real, 1e-3 * relative * set_N_m)
        found.append(
            Characteristic(
                f"impedance.stiffness_{name}",
                f"Rendered stiffness, {name}, at {TRIED_Hz[0]:g} Hz",
                value,
                u95,
                "N/mm",
                1e-3 * set_N_m,
                0.05e-3 * set_N_m,
                conditions=conditions,
                causes="dry friction, dead zone of the force loop, calibration",
            )
        )
        real = dynamic.imag / (2 * math.pi * at)
        means = np.array([np.mean(real[at == f]) for f in TRIED_Hz])
        least = TRIED_Hz[int(np.argmin(means))]
        damping = float(np.mean(real[at == least]))
        systematic = math.hypot(set_N_m * skew_s(profile), bend_share(profile) * damping)
        value, u95 = mean_u95(1e-3 * real[at == least], 1e-3 * systematic)
        theory = designed_impedance(profile, set_N_m, np.array([least]))[0].real
        found.append(
            Characteristic(
                f"impedance.least_damping_{name}",
                f"Least real part of the impedance, {name} spring (below 0: not passive)",
                value,
                u95,
                "N·s/mm",
                1e-3 * float(theory),
                1e-3 * max(abs(float(theory)), 0.1 * set_N_m / (2 * math.pi * least)),
                limit=0.0,
                conditions=f"{conditions}, at {least:g} Hz",
                causes="dry friction left over by the force loop (it dissipates energy)",
            )
        )
        lines.append(Line(name, np.array(TRIED_Hz), 1e-3 * means, points=True))
        designed = 1e-3 * designed_impedance(profile, set_N_m, dense)
        lines.append(Line(f"{name}, design", dense, designed.real, "predicted"))
        met = 1e-3 * np.abs(dynamic) / (2 * math.pi * at)
        size = np.array([np.mean(met[at == f]) for f in TRIED_Hz])
        sizes.append(Line(name, np.array(TRIED_Hz), 20 * np.log10(size), points=True))
        sizes.append(Line(f"{name}, design", dense, 20 * np.log10(np.abs(designed)), "predicted"))
    lines.append(Line("passivity", dense, np.zeros_like(dense), "limit"))
    worst, diagram = _map(run, profile, gains)
    found.append(worst)
    return Evaluation(
        tuple(found),
        (
            Diagram(
                "Magnitude of the impedance",
                "frequency (Hz)",
                f"magnitude (dB of 1 {DAMPING.unit})",
                tuple(sizes),
                True,
            ),
            Diagram(
                "Real part of the impedance",
                "frequency (Hz)",
                "real part (N·s/mm)",
                tuple(lines),
                True,
            ),
            diagram,
        ),
    )


def skew_s(profile: Profile) -> float:
    """Return the possible time skew of force and position in s; judged on one simulated rig."""
    return SKEW_PERIODS / profile.control.rate


def _map(run: RecordedRun, profile: Profile, gains: ForceGains) -> tuple[Characteristic, Diagram]:
    left: dict[tuple[float, float], list[float]] = {}
    for part in windows(run, "nudge"):
        t, x = cut(run, part, "time_s"), cut(run, part, "output_position_m")
        rest = float(np.mean(x[t > t[-1] - LATE_S]))
        first = float(np.max(np.abs(x - rest)[t < t[0] + LATE_S]))
        late = float(np.sqrt(2 * np.mean((x - rest)[t > t[-1] - LATE_S] ** 2)))
        cell = (part.values["stiffness"], part.values["damping"])
        left.setdefault(cell, []).append(100 * late / max(first, 1e-9))
    if len(left) < len(MAP_STIFFNESS) * len(MAP_DAMPING):
        raise ValueError(f"{len(left)} cells of the map were recorded")
    means = {cell: float(np.mean(each)) for cell, each in left.items()}
    worst = max(means, key=lambda cell: means[cell])
    value, u95 = mean_u95(np.array(left[worst]), 0.5)
    calm = [cell for cell, mean in means.items() if mean < 100 * CALM]
    restless = [cell for cell in means if cell not in calm]
    bound = np.array(gains.damping_bounds)
    bound[:, 1] = np.minimum(bound[:, 1], profile.limits.damping)
    lines = [Line("most permitted", 1e-3 * bound[:, 0], 1e-3 * bound[:, 1], "limit")]
    theory = np.array(_theory(profile, gains))
    lines.append(Line("stable by design", 1e-3 * theory[:, 0], 1e-3 * theory[:, 1], "predicted"))
    for label, cells in (("comes to rest", calm), ("does not", restless)):
        if cells:
            table = 1e-3 * np.array(cells)
            lines.append(Line(label, table[:, 0], table[:, 1], points=True, joined=False))
    expected = _left_by_design(profile, *worst)
    figure = Characteristic(
        "impedance.left_swing",
        f"Swing left {1e3 * (WATCH_S - LATE_S):.0f} ms after a nudge, worst of the map",
        value,
        u95,
        "%",
        *expected,
        limit=100 * CALM,
        conditions=(
            f"{len(left)} virtual springs at mid-travel up to the stiffest permitted, balanced "
            f"lever; {len(calm)} come to rest"
        ),
        causes="dry friction left over by the force loop, friction of the lever's bearing, its mass",
    )
    diagram = Diagram(
        "Virtual springs that come to rest", "stiffness (N/mm)", "damping (N·s/mm)", tuple(lines)
    )
    return figure, diagram


def _left_by_design(profile: Profile, stiffness: float, damping: float) -> tuple[float, float]:
    """Return the share of a swing that the design leaves in %, and its uncertainty.

    A swing of M on Re Z decays as exp(−Re Z·t/2M), Z that of the designed loop at √(K/M), with the
    drag of the friction left over at half of the first swing. Without friction is the other bound.
    """
    mass = moved_mass(profile)[0]
    w = math.sqrt(stiffness / mass)
    at, speed = np.array([w / (2 * math.pi)]), 0.5 * w * NUDGE_M
    left = []
    for friction_N in (left_over_N(profile, 0.0), 0.0):
        z = designed_impedance(profile, stiffness, at, friction_N, speed, damping)[0]
        left.append(100 * math.exp(-float(z.real) * (WATCH_S - LATE_S) / (2 * mass)))
    return left[0], max(abs(left[0] - left[1]), LEFT_KNOWN)


def _theory(profile: Profile, gains: ForceGains) -> list[tuple[float, float]]:
    """Return the highest damping at which the designed loop on the lightest output is stable."""
    lightest = moved_mass(profile)[0]
    observer = observer_gains(profile, 1.0 / profile.control.rate)
    loop = Loop(
        replace(gains.plant, output_mass=lightest), gains.law, observer, lead_s=gains.lead_s
    )
    found = []
    for share in (0.05, 0.3, 0.6, 0.95):
        stiffness = share * stiffest(profile, gains)

        def stable(damping: float, stiffness: float = stiffness) -> bool:
            return replace(loop, virtual_stiffness=stiffness, virtual_damping=damping).stable

        found.append((stiffness, highest(stable, 20 * lightest / gains.lead_s)))
    return found


TEST = GuardedTest(
    key="impedance",
    title="Impedance",
    purpose="virtual springs moved by hand: stiffness, passivity, map of those that come to rest",
    risk="A hand is at the lever while power is on; a spring that is too stiff shakes.",
    fitting=("lever free",),
    lasts_s=lambda _profile: (
        7.0
        + len(STIFFNESS_SHARES) * sum((SETTLE_PERIODS + PERIODS) / f + 0.4 for f in TRIED_Hz)
        + len(MAP_STIFFNESS) * len(MAP_DAMPING) * (0.3 + NUDGES * WATCH_S)
    ),
    run=_run,
    evaluate=_evaluate,
)
