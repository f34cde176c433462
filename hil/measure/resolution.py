"""Resolution and noise, output blocked: noise floor, spectrum, drift, smallest step followed."""

from __future__ import annotations

import math

import numpy as np

from drivers.motion import FORCE
from hil.control import ForceCalibration, sine_N
from hil.core import ConstantForce, Waveform
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
from hil.measure.force_steps import up_and_down
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    blocked_in_the_middle,
    envelope,
    under_power,
    window,
)
from hil.measure.loop_prediction import DesignedLoop
from hil.measure.predicted_rig import FRICTION_TRIED, half_range, stepped
from hil.procedures import Hand, Pause
from hil.profile import Profile, rig_parameters

SETTLE_S = 2.0
STILL_S = 12.0
BLOCKS = 12
STEPS_COUNTS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)  # of the deflection sensor, as force
REPEATS = 4
STEP_S = 0.4
USED = 0.5  # the last part of a step, after it has settled
FOLLOWED = 0.5  # of a step


def count_N(profile: Profile, force_N: float) -> float:
    """Return the force of one count of the deflection sensor at a force."""
    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    return abs(profile.calibration.deflection_per_count) * law.stiffness(
        law.deflection_for(force_N)
    )


def _steps_counts(profile: Profile) -> tuple[float, ...]:
    """Return the steps in counts; larger ones where the loop is not expected to follow those."""
    expected = _breakaway_step_N(profile) / count_N(profile, sine_N(profile)[0])
    if expected <= STEPS_COUNTS[-1]:
        return STEPS_COUNTS
    return (*STEPS_COUNTS, *(share * expected for share in (0.75, 1.0, 1.5, 2.0)))


def _run(profile: Profile) -> Part:
    level = sine_N(profile)[0]
    yield from blocked_in_the_middle(profile)
    yield from under_power(envelope(profile), "A force is held, then changed in very small steps")
    yield from apply(ConstantForce(force_N=level))
    yield Pause(SETTLE_S)
    yield from window("still", STILL_S)
    for counts in _steps_counts(profile):
        size = counts * count_N(profile, sine_N(profile)[0])
        points, lasts = up_and_down(level, size, REPEATS, STEP_S)
        yield from apply(Waveform(shape="table", points=points, duration_s=lasts + 1.0))
        yield from window("small steps", lasts, {"size_N": size, "level_N": level})
    yield Hand("let_output_go", "Power goes off now; then take the clamp off the output.")


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    parts = windows(run, "still")
    if not parts:
        raise ValueError("the force was not held long enough")
    time_s, force = cut(run, parts[0], "time_s"), cut(run, parts[0], "spring_force_N")
    conditions = f"output blocked, {FORCE(sine_N(profile)[0]):.0f}{FORCE} held for {STILL_S:g} s"
    blocks = np.array_split(force, BLOCKS)
    noise, noise_u95 = mean_u95(np.array([np.std(block, ddof=1) for block in blocks]))
    count = count_N(profile, sine_N(profile)[0])
    stated = count * math.sqrt(profile.sensors.deflection.noise**2 + 1 / 12)
    means = np.array([np.mean(block) for block in blocks])
    at = np.array([np.mean(block) for block in np.array_split(time_s, BLOCKS)])
    fit, covariance = np.polyfit(at - at.mean(), means, 1, cov=True)
    drift, drift_u95 = 60 * float(fit[0]), 2.2 * 60 * math.sqrt(float(covariance[0, 0]))
    period = float(np.median(np.diff(time_s)))
    from scipy.signal import welch  # slow to load

    f, density = welch(force - np.mean(force), 1 / period, nperseg=min(2048, len(force)))
    sizes, shares, share_u95 = _shares(run)
    smallest, smallest_u95 = _smallest(sizes, shares, share_u95)
    expected = [_predicted_step_N(profile, factor) for factor in (1.0, *FRICTION_TRIED)]
    found = (
        Characteristic(
            "resolution.noise",
            "Noise of the measured force at rest, rms",
            noise,
            noise_u95,
            "N",
            stated,
            0.3 * stated,
            conditions=conditions,
            causes="noise of the deflection sensor, its wiring, a loop that hunts",
        ),
        Characteristic(
            "resolution.drift",
            "Drift of the measured force",
            drift,
            drift_u95,
            "N/min",
            0.0,
            count / (STILL_S / 60),  # a drift of less than a count in the test
            conditions=conditions,
            causes="warming of the deflection sensor and its supply, creep of its mount",
        ),
        Characteristic(
            "resolution.smallest_step",
            "Smallest force step that is followed by half",
            smallest,
            smallest_u95,
            "N",
            predicted=expected[0],
            predicted_u95=half_range(expected),
            conditions=f"output blocked, {REPEATS} steps each way of each size",
            causes="dead zone of the force loop, dry friction",
        ),
    )
    diagrams = (
        Diagram(
            "Noise of the force at rest",
            "frequency (Hz)",
            "density (N/√Hz)",
            (Line("measured", f[1:], np.sqrt(density[1:])),),
            True,
        ),
        Diagram(
            "Small steps",
            "step (N)",
            "share followed",
            (Line("measured", sizes, shares, points=True),),
        ),
    )
    return Evaluation(found, diagrams)


def _predicted_step_N(profile: Profile, friction_factor: float) -> float:
    """Return the smallest step that the bench's law follows by half on the profile's plant.

    Noise shakes the nut loose, and the integral turns it in the end: less than
    ``_breakaway_step_N`` is enough.
    """
    level = sine_N(profile)[0]
    count = count_N(profile, level)
    sizes = [counts * count for counts in _steps_counts(profile)]
    pattern = np.arange(2 * REPEATS + 1) % 2
    late = round(USED * STEP_S * profile.control.rate)
    setpoints = [size * float(up) for size in sizes for up in pattern]
    forces = stepped(profile, level, setpoints, STEP_S, friction_factor)
    means = np.mean(forces[:, -late:], axis=1).reshape(len(sizes), len(pattern))
    sense = 2.0 * pattern[1:] - 1.0
    shares = np.mean(sense * np.diff(means, axis=1), axis=1) / sizes
    return _smallest(np.array(sizes), shares, np.zeros(len(sizes)))[0]


def _breakaway_step_N(profile: Profile) -> float:
    """Return the dead zone plus the step that the position gain turns into the break-away force."""
    loop = DesignedLoop.of(profile).loop
    gain = loop.law.position / loop.plant.stiffness
    breakaway = profile.actuator.friction.breakaway * profile.actuator.radians_per_metre
    dead = count_N(profile, sine_N(profile)[0]) * max(1.0, 0.5 * profile.sensors.deflection.noise)
    return dead + breakaway / gain


def _shares(run: RecordedRun) -> tuple[Floats, Floats, Floats]:
    rows = []
    for part in windows(run, "small steps"):
        time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        setpoint = cut(run, part, "setpoint_force_N")
        size, level = part.values["size_N"], part.values["level_N"]
        high = setpoint > level + 0.5 * size
        edges = np.nonzero(np.diff(high.astype(int)))[0]
        means = []
        for edge in edges:
            late = (time_s > time_s[edge] + (1 - USED) * STEP_S) & (time_s < time_s[edge] + STEP_S)
            means.append(float(np.mean(force[late])))
        each = np.abs(np.diff(means)) * np.sign(np.diff(means) * np.where(high[edges[1:]], -1, 1))
        rows.append((size, *mean_u95(np.asarray(each) / size)))
    if len(rows) < 3:
        raise ValueError("the small steps were not recorded")
    table = np.array(sorted(rows))
    return table[:, 0], table[:, 1], table[:, 2]


def _smallest(sizes: Floats, shares: Floats, u95: Floats) -> tuple[float, float]:
    above = np.nonzero(shares >= FOLLOWED)[0]
    if not len(above):
        return math.nan, math.nan
    i = int(above[0])
    if i == 0:
        return float(sizes[0]), float(sizes[0])
    part = (FOLLOWED - shares[i - 1]) / (shares[i] - shares[i - 1])
    apart = float(sizes[i] - sizes[i - 1])
    slope = (shares[i] - shares[i - 1]) / apart
    most = max(float(u95[i]), float(u95[i - 1]))
    return float(sizes[i - 1] + part * apart), math.hypot(most / slope, 0.25 * apart)


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    per_count = p.sensor_span_m / 2**p.sensor_bits / p.sensor_scale
    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    stiffness = law.stiffness(law.deflection_for(sine_N(profile)[0]))
    force = abs(stiffness * per_count)
    truth = {"resolution.noise": force * math.sqrt(p.sensor_noise_counts**2 + 1 / 12)}
    if p.sensor_drift_counts_per_s:
        # Otherwise the force itself drifts, by less than a count of the nut; true states show it.
        truth["resolution.drift"] = 60 * force * p.sensor_drift_counts_per_s
    return truth


TEST = GuardedTest(
    key="resolution",
    title="Resolution and noise",
    purpose="noise floor and spectrum of the force, drift, smallest step that is followed",
    risk="A loop that hunts hums; keep hands off.",
    fitting=("output blocked",),
    lasts_s=lambda profile: (
        4.0 + SETTLE_S + STILL_S + len(_steps_counts(profile)) * (2 * REPEATS + 1) * STEP_S
    ),
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
