"""Force response with the output blocked: bandwidth, margin, delay, resonance, steps."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from drivers.motion import FORCE
from hil.control import sine_N
from hil.core import ConstantForce, Waveform
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    cut,
    jackknife_u95,
    mean_u95,
    windows,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    blocked_in_the_middle,
    envelope,
    under_power,
    window,
)
from hil.measure.loop_prediction import FRICTION_KNOWN, DesignedLoop, saturation_N
from hil.measure.response import (
    HALF_POWER,
    Complex,
    Multisine,
    Spectra,
    coefficients,
    crossing_Hz,
    delay_s,
    fundamental,
    half_power_Hz,
    multisine,
)
from hil.measure.slope import bend_share, gain_u95
from hil.procedures import Hand, Pause
from hil.profile import Profile

PERIOD_S = 1.0
SETTLE_S = 0.6
LINES = 24
REALISATIONS = 6  # of the random phases: distortion by friction differs from one to the next
HIGHEST_BANDWIDTHS = 3.0
POINTS_PER_S = 400
SPARE_S = 0.5
RATE_SHARE = 0.7  # of the force rate limit: the wave itself must not be clipped
# Peak of the wave, in multiples of control.bandwidth_amplitude.
AMPLITUDES = {"small": 0.4, "medium": 1.0}
LARGE_SHARE = 0.3  # of the force limit: sines that the limits do clip
LARGE_TRIED = 8
LARGE_S = 0.5
TRIANGLE = 8 / math.pi**2
STEPS = 6
STEP_SHARE = 0.4  # of the amplitude for which the bandwidth is specified
STEP_S = 0.3
SETTLED_SHARE = 0.2  # last part of a step's time


def _wave(profile: Profile, amplitude: str, realisation: int) -> Multisine:
    bandwidth = profile.control.force_bandwidth
    drawn = multisine(
        realisation + 1, (1.0, HIGHEST_BANDWIDTHS * bandwidth), LINES, PERIOD_S, 0.25 * bandwidth
    )
    most = AMPLITUDES[amplitude] * sine_N(profile)[1]
    return drawn.scaled(most, RATE_SHARE * profile.limits.force_rate.limited)


def _blocked_run(profile: Profile) -> Part:
    level, amplitude = sine_N(profile)
    step = STEP_SHARE * amplitude
    loop = DesignedLoop.of(profile)
    yield from blocked_in_the_middle(profile)
    yield from under_power(envelope(profile), "Force waves against the clamp")
    for name in AMPLITUDES:
        for realisation in range(REALISATIONS):
            wave = _wave(profile, name, realisation)
            lasts = SETTLE_S + PERIOD_S + SPARE_S
            points = wave.points(POINTS_PER_S, lasts, level)
            yield from apply(Waveform(shape="table", of="force", points=points, duration_s=lasts))
            yield Pause(SETTLE_S)
            yield from window(f"multisine {name}", PERIOD_S + 0.01, {"realisation": realisation})
    large, about = _large(profile)
    for frequency in _large_tried(profile, loop):
        settle = max(SETTLE_S / 2, 3 / frequency)
        lasts = settle + math.ceil(LARGE_S * frequency) / frequency
        yield from apply(
            Waveform(
                shape="sine",
                offset=about,
                amplitude=large,
                frequency_Hz=frequency,
                duration_s=lasts + SPARE_S,
            )
        )
        yield Pause(settle)
        yield from window("large", lasts - settle, {"frequency_Hz": frequency})
    step = STEP_SHARE * amplitude
    yield from apply(ConstantForce(force_N=level))
    yield Pause(2 * STEP_S)
    yield from _step_up_and_down(level, step)
    yield from apply(ConstantForce(force_N=0.0))
    yield Pause(STEP_S)
    yield Hand("let_output_go", "Power goes off now; then take the clamp off the output.")


def _step_up_and_down(level: float, step: float) -> Part:
    """Step in one table: a change of behaviour would fade the step in."""
    points = [(0.0, level)]
    for n in range(2 * STEPS):
        before, after = (level, level + step) if n % 2 == 0 else (level + step, level)
        at = (n + 1) * STEP_S
        points += [(at, before), (at + 1e-6, after)]
    lasts = (2 * STEPS + 1) * STEP_S
    yield from apply(Waveform(shape="table", points=tuple(points), duration_s=lasts + SPARE_S))
    yield from window("steps", lasts, {"from_N": level, "to_N": level + step})


def _large(profile: Profile) -> tuple[float, float]:
    """Return (amplitude, mean) in N of the large sines."""
    limit = profile.limits.force.limited
    return LARGE_SHARE * limit, 0.5 * limit


def _large_tried(profile: Profile, loop: DesignedLoop) -> list[float]:
    amplitude, about = _large(profile)
    grid = np.geomspace(1.0, 4 * profile.control.force_bandwidth, 400)
    permitted = crossing_Hz(grid, saturation_N(profile, grid, about, loop) / amplitude, 1.0)
    middle = min(
        permitted if math.isfinite(permitted) else math.inf, profile.control.force_bandwidth
    )
    return [float(f) for f in np.geomspace(0.5 * middle, 3.0 * middle, LARGE_TRIED)]


def _spectra(run: RecordedRun, profile: Profile, amplitude: str) -> Spectra:
    given, answer = [], []
    frequencies = _wave(profile, amplitude, 0).frequencies_Hz
    for part in windows(run, f"multisine {amplitude}"):
        time_s = cut(run, part, "time_s")
        given.append(
            coefficients(time_s, cut(run, part, "setpoint_force_N"), frequencies, PERIOD_S)
        )
        answer.append(coefficients(time_s, cut(run, part, "spring_force_N"), frequencies, PERIOD_S))
    if len(given) < 3:
        raise ValueError(f"{len(given)} of {REALISATIONS} waves were recorded")
    return Spectra(frequencies, np.array(given), np.array(answer))


def margin_deg(response: Complex) -> float:
    """Return the phase margin guaranteed by a closed loop's peak Mt, 2·asin(1/(2·Mt)).

    Skogestad and Postlethwaite, Multivariable Feedback Control, 2nd ed., eq. 2.41; from memory.
    """
    peak = float(np.max(np.abs(response)))
    return math.degrees(2 * math.asin(min(1.0, 1 / (2 * peak))))


def _of_spectra(spectra: Spectra, take: Callable[[Complex], float]) -> tuple[float, float]:
    """Return (figure of the mean response, expanded uncertainty over its segments)."""
    value = take(spectra.response)
    parts = [take(spectra.without(i).response) for i in range(len(spectra.given))]
    return value, jackknife_u95(np.array(parts), value)


def _predicted(
    take: Callable[[Complex], float], curves: tuple[Complex, ...]
) -> tuple[float, float]:
    """Return (figure, uncertainty) of the prediction for friction as stated, less and more."""
    values = [take(curve) for curve in curves]
    spread = [abs(v - values[0]) for v in values[1:] if math.isfinite(v)]
    return values[0], max(spread, default=math.nan)


def _takes(
    f: Floats, smoothed: Complex, low_Hz: float
) -> tuple[tuple[str, str, str, Callable[[Complex], float]], ...]:
    """Return (key, title, unit, figure of a response at ``f``) of each figure."""
    return (
        ("bandwidth", "Force bandwidth, −3 dB", "Hz", lambda r: half_power_Hz(f, np.abs(r))),
        ("margin", "Phase margin, at least", "°", lambda r: margin_deg(r / smoothed)),
        ("delay", "Delay of force behind setpoint", "ms", lambda r: 1e3 * delay_s(f, r, low_Hz)),
        ("peak", "Resonance peak", "dB", lambda r: 20 * math.log10(np.max(np.abs(r)))),
    )


def _blocked(run: RecordedRun, profile: Profile) -> Evaluation:
    loop = DesignedLoop.of(profile)
    found: list[Characteristic] = []
    sizes: list[Line] = []
    phases: list[Line] = []
    coherences: list[Line] = []
    errors: list[Line] = []
    notes: list[str] = []
    dense = np.geomspace(1.0, HIGHEST_BANDWIDTHS * profile.control.force_bandwidth, 200)
    level = sine_N(profile)[0]
    for name in AMPLITUDES:
        spectra = _spectra(run, profile, name)
        wave = _wave(profile, name, 0)
        f = spectra.frequencies_Hz
        peak = float(np.max(np.abs(wave.at(np.arange(0, PERIOD_S, 0.001)))))
        conditions = f"output blocked, waves of {FORCE(peak):.0f}{FORCE} peak about {FORCE(level):.0f}{FORCE}"
        factors = (1.0, 1 - FRICTION_KNOWN, 1 + FRICTION_KNOWN)
        curves = tuple(loop.response(wave, f, factor) for factor in factors)
        smoothed = loop.smoothed(f)
        for key, title, unit, take in _takes(f, smoothed, 0.6 * profile.control.force_bandwidth):
            value, u95 = _of_spectra(spectra, take)
            u95 = math.hypot(u95, gain_u95(key, value, bend_share(profile, level)))
            predicted, predicted_u95 = _predicted(take, curves)
            found.append(
                Characteristic(
                    f"force_response.{key}_{name}",
                    f"{title}, {name} waves",
                    value,
                    u95,
                    unit,
                    predicted,
                    predicted_u95,
                    conditions=conditions,
                    causes="dry friction, reflected mass and delay that differ from the profile",
                )
            )
        response = spectra.response
        sizes.append(Line(name, f, 20 * np.log10(np.abs(response)), points=True))
        phases.append(Line(name, f, np.degrees(np.unwrap(np.angle(response))), points=True))
        coherences.append(Line(name, f, spectra.coherence, points=True))
        errors.append(Line(name, f, 200 * spectra.random_error, points=True))
        designed = loop.response(wave, dense)
        sizes.append(Line(f"{name}, design", dense, 20 * np.log10(np.abs(designed)), "predicted"))
        phases.append(
            Line(f"{name}, design", dense, np.degrees(np.unwrap(np.angle(designed))), "predicted")
        )
    large, permitted = _large_figures(run, profile, loop)
    found += large
    found += _steps(run, loop, profile)
    diagrams = (
        Diagram("Force over setpoint", "frequency (Hz)", "magnitude (dB)", tuple(sizes), True),
        Diagram("Phase of force", "frequency (Hz)", "phase (°)", tuple(phases), True),
        Diagram("Coherence", "frequency (Hz)", "γ²", tuple(coherences), True),
        Diagram("Random error of H1, k = 2", "frequency (Hz)", "error (%)", tuple(errors), True),
        permitted,
    )
    return Evaluation(tuple(found), diagrams, tuple(notes))


def _large_figures(
    run: RecordedRun, profile: Profile, loop: DesignedLoop
) -> tuple[list[Characteristic], Diagram]:
    amplitude, about = _large(profile)
    tried: list[tuple[float, float, float]] = []
    for part in windows(run, "large"):
        frequency = part.values["frequency_Hz"]
        time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        period = 1 / frequency
        each: list[float] = []
        for n in range(int((time_s[-1] - time_s[0]) / period + 0.1)):
            inside = (time_s >= time_s[0] + n * period) & (time_s < time_s[0] + (n + 1) * period)
            t, y = time_s[inside], force[inside]
            each.append(abs(fundamental(t, y, frequency)))
        tried.append((frequency, *mean_u95(np.array(each))))
    table = np.array(sorted(tried))
    f, size, u = table[:, 0], table[:, 1], table[:, 2]
    value = crossing_Hz(f, size / amplitude, HALF_POWER)
    # The crossing shifts with the errors of the amplitudes around it; linear interpolation
    # between neighbours errs by less than a tenth of their distance.
    upper = crossing_Hz(f, (size + u) / amplitude, HALF_POWER)
    lower = crossing_Hz(f, (size - u) / amplitude, HALF_POWER)
    apart = float(np.median(np.diff(np.log(f)))) * value
    bent = gain_u95("bandwidth", value, bend_share(profile, about))
    u95 = math.hypot(0.5 * abs(upper - lower), 0.1 * apart, bent)
    grid = np.geomspace(1.0, 4 * float(f[-1]), 300)
    permitted = saturation_N(profile, grid, about, loop)
    # The rate limit turns the wave into a triangle, whose fundamental is 8/π² of its height.
    rate = np.minimum(1.0, TRIANGLE * profile.limits.force_rate.limited / (4 * grid * amplitude))
    answer = np.abs(loop.loop.response("deflection", "reference_m", grid))
    predicted = crossing_Hz(grid, rate * answer, HALF_POWER)
    figure = Characteristic(
        "force_response.bandwidth_large",
        "Force bandwidth, −3 dB, large sines",
        value,
        u95,
        "Hz",
        predicted,
        0.1 * predicted,
        conditions=f"output blocked, sines of {FORCE(amplitude):.0f}{FORCE} about {FORCE(about):.0f}{FORCE}",
        causes="limits of force rate, peak torque and speed",
    )
    diagram = Diagram(
        "Largest force sine",
        "frequency (Hz)",
        "amplitude (N)",
        (
            Line("measured", f, size, points=True),
            Line("sine within limits", grid, permitted, "limit"),
        ),
        True,
    )
    return [figure], diagram


def _steps(run: RecordedRun, loop: DesignedLoop, profile: Profile) -> list[Characteristic]:
    answers = []
    period = loop.loop.plant.period_s
    grid = np.arange(0.0, 0.9 * STEP_S, period)
    for part in windows(run, "steps"):
        time_s, force = cut(run, part, "time_s"), cut(run, part, "spring_force_N")
        setpoint = cut(run, part, "setpoint_force_N")
        low, high = part.values["from_N"], part.values["to_N"]
        for edge in np.nonzero(np.abs(np.diff(setpoint)) > 0.5 * (high - low))[0]:
            # Relative to the measured step: otherwise a calibration error within its band shifts
            # the levels, and a creeping force crosses the last one much sooner or later.
            begin, end = (
                _level(time_s, force, int(edge)),
                _level(time_s, force, int(edge), len(grid)),
            )
            share = (force - begin) / (end - begin)
            answers.append(np.interp(time_s[edge] + grid, time_s, share))
    steps = np.array(answers)
    others = [np.mean(np.delete(steps, i, axis=0), axis=0) for i in range(len(steps))]
    step = STEP_SHARE * sine_N(profile)[1]
    answer = loop.loop.step(len(grid))
    designed = 1e3 * rise_s(grid, answer)
    conditions = f"output blocked, {2 * STEPS} steps of {FORCE(step):.0f}{FORCE} up and down"
    rise = 1e3 * rise_s(grid, np.mean(steps, axis=0))
    left_out = np.array([1e3 * rise_s(grid, mean) for mean in others])
    rise_u95 = math.hypot(jackknife_u95(left_out, rise), 0.5e3 * period)
    # A count is equally coarse in each step: averaging does not reduce its error.
    count_N = abs(profile.calibration.deflection_per_count) * loop.loop.plant.stiffness
    over, over_u95 = mean_u95(100 * (peaks(steps) - 1), 200 * count_N / math.sqrt(12) / step)
    predicted = 100 * max(0.0, float(np.max(answer)) - 1)
    causes = "force rate limit, dry friction"
    return [
        Characteristic(
            "force_response.step_rise",
            "Rise of a force step, 10 to 90 %",
            rise,
            rise_u95,
            "ms",
            designed,
            0.3 * designed,
            conditions=conditions,
            causes=causes,
        ),
        Characteristic(
            "force_response.step_overshoot",
            "Overshoot of a force step",
            over,
            over_u95,
            "%",
            predicted,
            5.0,
            conditions=conditions,
            causes=causes,
        ),
    ]


def peaks(steps: Floats) -> Floats:
    """Return the height of each step (n, samples) at the time where the other half peaks.

    At the peak of its own half, its noise would add to the height.
    """
    half = len(steps) // 2
    early, late = (int(np.argmax(np.mean(part, axis=0))) for part in (steps[:half], steps[half:]))
    return np.concatenate((steps[:half, late], steps[half:, early]))


def _level(time_s: Floats, force: Floats, edge: int, after: int = 0) -> float:
    """Return the settled force in N before an edge, or before ``after`` samples past it."""
    until_s = time_s[edge + after]
    settled = (time_s > until_s - SETTLED_SHARE * STEP_S) & (time_s <= until_s)
    return float(np.mean(force[settled]))


def rise_s(time_s: Floats, share: Floats) -> float:
    """Return the rise time from 10 to 90 %, NaN if a level is not reached.

    A level counts as crossed halfway between its first and last crossing: a noisy force that
    creeps towards it crosses it many times, and the first crossing is always too early.
    """
    times = []
    for level in (0.1, 0.9):
        up = np.nonzero((share[:-1] < level) & (share[1:] >= level))[0]
        if not len(up):
            return math.nan
        part = (level - share[up]) / (share[up + 1] - share[up])
        crossed = time_s[up] + part * (time_s[up + 1] - time_s[up])
        times.append(0.5 * float(crossed[0] + crossed[-1]))
    return times[1] - times[0]


BLOCKED = GuardedTest(
    key="force_response",
    title="Force response, output blocked",
    purpose="bandwidth for small, medium and large waves, margin, delay, resonance and steps",
    risk="A loop with too little margin shakes; force, speed and current limits stop it.",
    fitting=("output blocked",),
    lasts_s=lambda profile: (
        4.0
        + len(AMPLITUDES) * REALISATIONS * (SETTLE_S + PERIOD_S)
        + LARGE_TRIED * (LARGE_S + SETTLE_S / 2)
        + 2 * STEPS * STEP_S
    ),
    run=_blocked_run,
    evaluate=_blocked,
)
