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
from hil.measure.force_steps import STEP_S, STEP_SHARE, STEPS, step_figures, step_up_and_down
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
    yield from step_up_and_down(level, step)
    yield from apply(ConstantForce(force_N=0.0))
    yield Pause(STEP_S)
    yield Hand("let_output_go", "Power goes off now; then take the clamp off the output.")


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
        errors.append(Line(name, f, spectra.error_shown, points=True))
        designed = loop.response(wave, dense)
        sizes.append(Line(f"{name}, design", dense, 20 * np.log10(np.abs(designed)), "predicted"))
        phases.append(
            Line(f"{name}, design", dense, np.degrees(np.unwrap(np.angle(designed))), "predicted")
        )
    large, permitted = _large_figures(run, profile, loop)
    found += large
    found += step_figures(run, loop, profile)
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
