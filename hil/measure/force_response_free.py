"""Force response with the lever free: gain and bandwidth while the output moves."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from drivers.motion import LENGTH, STIFFNESS
from hil.core import Waveform
from hil.measure.characteristic import (
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    cut,
    jackknife_u95,
    windows,
)
from hil.measure.force_response import (
    HIGHEST_BANDWIDTHS,
    LINES,
    PERIOD_S,
    POINTS_PER_S,
    RATE_SHARE,
    REALISATIONS,
    SETTLE_S,
    SPARE_S,
)
from hil.measure.guarded import (
    GuardedTest,
    Part,
    apply,
    balanced_in_the_middle,
    envelope,
    middle_m,
    under_power,
    window,
)
from hil.measure.loop_prediction import MASS_KNOWN, DesignedLoop
from hil.measure.predicted_rig import FRICTION_TRIED
from hil.measure.response import Multisine, coefficients, half_power_Hz, multisine
from hil.measure.slope import bend_share
from hil.procedures import Pause
from hil.profile import Profile

FREE_LOWEST_Hz = 3.0  # below this, a free output would move too far
FREE_PEAK_m = 0.002  # of the rest position
FREE_STIFFNESS_SHARE = 0.2  # of the springs' own
FREE_DAMPING_S = 0.02  # of that stiffness


def _free_wave(profile: Profile, loop: DesignedLoop, realisation: int) -> Multisine:
    bandwidth = profile.control.force_bandwidth
    lines = (FREE_LOWEST_Hz, HIGHEST_BANDWIDTHS * bandwidth)
    drawn = multisine(realisation + 1, lines, LINES, PERIOD_S, 0.25 * bandwidth)
    most_rate = RATE_SHARE * profile.limits.force_rate.limited / _free_stiffness(loop)
    return drawn.scaled(FREE_PEAK_m, most_rate)


def _free_stiffness(loop: DesignedLoop) -> float:
    return FREE_STIFFNESS_SHARE * loop.loop.plant.stiffness


def _free_run(profile: Profile) -> Part:
    loop = DesignedLoop.of(profile)
    yield from balanced_in_the_middle(profile)
    yield from under_power(envelope(profile), "Small waves move the free lever")
    stiffness = _free_stiffness(loop)
    middle = middle_m(profile)
    for realisation in range(REALISATIONS):
        wave = _free_wave(profile, loop, realisation)
        lasts = SETTLE_S + PERIOD_S + SPARE_S
        yield from apply(
            Waveform(
                shape="table",
                of="rest",
                points=wave.points(POINTS_PER_S, lasts, middle),
                duration_s=lasts,
                stiffness_N_m=stiffness,
                damping_N_s_m=FREE_DAMPING_S * stiffness,
            )
        )
        yield Pause(SETTLE_S)
        yield from window("multisine free", PERIOD_S + 0.01, {"realisation": realisation})


def _free(run: RecordedRun, profile: Profile) -> Evaluation:
    loop = DesignedLoop.of(profile)
    given, answer = [], []
    f = _free_wave(profile, loop, 0).frequencies_Hz
    for part in windows(run, "multisine free"):
        time_s = cut(run, part, "time_s")
        wave = coefficients(time_s, cut(run, part, "rest_position_m"), f, PERIOD_S)
        # With the wave as the instrument, noise that goes round the loop is not read as response.
        turn = np.conj(wave) / np.abs(wave)
        given.append(turn * coefficients(time_s, cut(run, part, "setpoint_force_N"), f, PERIOD_S))
        answer.append(turn * coefficients(time_s, cut(run, part, "spring_force_N"), f, PERIOD_S))
    if len(given) < 3:
        raise ValueError(f"{len(given)} of {REALISATIONS} waves were recorded")
    x, y = np.array(given), np.array(answer)
    response = y.sum(axis=0) / x.sum(axis=0)
    low = f <= 2 * FREE_LOWEST_Hz

    def gain(size: Floats) -> float:
        return float(np.mean(size[low]))

    takes: tuple[tuple[str, str, str, Callable[[Floats], float]], ...] = (
        ("gain", "Force over setpoint, lever free, lowest frequencies", "1", gain),
        (
            "bandwidth",
            "Force bandwidth, −3 dB from the lowest frequencies, lever free",
            "Hz",
            lambda size: half_power_Hz(f, size / gain(size)),
        ),
    )
    wave_N = Multisine(f, np.mean(np.abs(x), axis=0), np.zeros(len(f)), PERIOD_S)
    free, heavier = DesignedLoop.free(profile), DesignedLoop.free(profile, 1 + MASS_KNOWN)
    designed = [np.abs(free.response(wave_N, f, factor)) for factor in (1.0, *FRICTION_TRIED)]
    heavy = np.abs(heavier.response(wave_N, f))
    conditions = (
        "lever free and balanced, rest position of "
        f"{STIFFNESS(_free_stiffness(loop)):.0f}{STIFFNESS} moved by "
        f"{LENGTH(FREE_PEAK_m):.0f}{LENGTH}"
    )
    figures = []
    for key, title, unit, take in takes:
        value = take(np.abs(response))
        left_out = [
            take(np.abs(np.delete(y, i, axis=0).sum(axis=0) / np.delete(x, i, axis=0).sum(axis=0)))
            for i in range(len(x))
        ]
        u95 = jackknife_u95(np.array(left_out), value)
        if key == "gain":
            share = math.hypot(2 * profile.calibration.relative_uncertainty, bend_share(profile))
            u95 = math.hypot(u95, share * value)
        predicted, *others = (take(size) for size in designed)
        figures.append(
            Characteristic(
                f"force_response_free.{key}",
                title,
                value,
                u95,
                unit,
                predicted,
                math.hypot(
                    max(abs(other - predicted) for other in others), take(heavy) - predicted
                ),
                conditions=conditions,
                causes="dry friction, moved mass and reflected mass that differ from the profile",
            )
        )
    lines = (
        Line("lever free", f, 20 * np.log10(np.abs(response)), points=True),
        Line("lever free, design", f, 20 * np.log10(designed[0]), "predicted"),
    )
    diagram = Diagram("Force over setpoint, free", "frequency (Hz)", "magnitude (dB)", lines, True)
    return Evaluation(tuple(figures), (diagram,))


FREE = GuardedTest(
    key="force_response_free",
    title="Force response, lever free",
    purpose="bandwidth of the force while the output moves",
    risk="The lever moves a little; it may hit objects in its way.",
    fitting=("lever free",),
    lasts_s=lambda _profile: 4.0 + REALISATIONS * (SETTLE_S + PERIOD_S),
    run=_free_run,
    evaluate=_free,
)
