"""Frequency response estimator against scipy.signal on linear plants."""

import functools
import math
from typing import Any

import numpy as np
import pytest
from scipy import signal

from hil.measure.response import (
    Spectra,
    coefficients,
    crossing_Hz,
    delay_s,
    half_power_Hz,
    multisine,
)

FAST = 0.008  # s for each second of the published plants
# The textbook damped oscillator, an invented third-order plant, and three benchmark plants of
# Astrom and Hagglund ("Benchmark systems for PID control", IFAC Workshop on Digital Control,
# Terrassa 2000; from memory) at higher speed: 1/(s + 1)^4, the spread poles 1/((s + 1)(0.5s +
# 1)(0.25s + 1)(0.125s + 1)), and (1 - 0.5s)/(s + 1)^3.
PLANTS = {
    "four equal poles": ([1.0], (np.poly1d([FAST, 1]) ** 4).coeffs),
    "spread poles": (
        [1.0],
        np.polymul(
            np.polymul([FAST, 1], [0.5 * FAST, 1]), np.polymul([0.25 * FAST, 1], [0.125 * FAST, 1])
        ),
    ),
    "zero on the right": ([-0.5 * FAST, 1], (np.poly1d([FAST, 1]) ** 3).coeffs),
    "second order, ζ = 0.3": ([170.0**2], [1, 2 * 0.3 * 170, 170.0**2]),
    "second order, ζ = 0.8": ([170.0**2], [1, 2 * 0.8 * 170, 170.0**2]),
    "third order with a zero": ([90.0**2 * 40, 90.0**2 * 40 * 60], [1, 200, 14000, 9e5]),
}
PERIOD_S, RATE = 1.0, 1000.0


@functools.cache
def excitation(seed):
    """Return (wave, its values over three seconds at four times the rate), drawn once for all plants."""
    wave = multisine(seed, (1, 80), 24, PERIOD_S, 20.0)
    return wave, wave.at(np.arange(0, 3, 0.25 / RATE))


def measured(plant, noise, late=False, segments=6):
    """Return spectra of a simulated record: a settled and a measured second for each phase draw."""
    chance = np.random.default_rng(3)
    given: list[Any] = []
    answer: list[Any] = []
    fine = 4 * RATE
    t = np.arange(0, 3, 1 / fine)
    for seed in range(segments):
        wave, x = excitation(seed)
        _, y, _ = signal.lsim(signal.lti(*plant), x, t)
        at = np.arange(0, len(t) - 4, 4)
        if late:
            at = at[chance.random(len(at)) > 0.1]
            at = at + chance.integers(0, 3, len(at))
        y = y + noise * np.std(y) * chance.normal(size=len(y))
        for values, into in ((x, given), (y, answer)):
            into.append(coefficients(t[at], values[at], wave.frequencies_Hz, PERIOD_S))
    return Spectra(wave.frequencies_Hz, np.array(given), np.array(answer))


@pytest.mark.parametrize("late", [False, True], ids=["in time", "late samples"])
@pytest.mark.parametrize("name", PLANTS)
def test_response_agrees_with_scipy_up_to_twice_the_bandwidth(name, late):
    plant = PLANTS[name]
    spectra = measured(plant, noise=0.01, late=late)
    f = spectra.frequencies_Hz
    _, exact = signal.freqresp(signal.lti(*plant), 2 * math.pi * f)
    gain = abs(exact[0])
    dense = np.linspace(1, 80, 4000)
    _, curve = signal.freqresp(signal.lti(*plant), 2 * math.pi * dense)
    bandwidth = crossing_Hz(dense, np.abs(curve) / gain, math.sqrt(0.5))
    inside = f <= 2 * bandwidth
    ratio = spectra.response[inside] / exact[inside]
    assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.2
    assert np.max(np.abs(np.degrees(np.angle(ratio)))) < 2.0
    found = half_power_Hz(f, np.abs(spectra.response) / gain)
    assert found == pytest.approx(bandwidth, rel=0.02)


def test_random_error_is_the_scatter_that_is_seen():
    plant = PLANTS["second order, ζ = 0.8"]
    errors, stated = [], []
    chance = np.random.default_rng(1)
    wave = multisine(1, (1, 40), 12, PERIOD_S, 20.0)
    f = wave.frequencies_Hz
    _, exact = signal.freqresp(signal.lti(*plant), 2 * math.pi * f)
    for _ in range(300):
        given = np.exp(1j * chance.uniform(0, 7, (8, len(f))))
        noise = 0.2 * (chance.normal(size=given.shape) + 1j * chance.normal(size=given.shape))
        spectra = Spectra(f, given, given * exact + noise)
        errors.append(np.abs(spectra.response) / np.abs(exact) - 1)
        stated.append(spectra.random_error)
    seen = np.std(errors, axis=0)
    assert np.sqrt(np.mean(np.square(stated), axis=0)) == pytest.approx(seen, rel=0.25)


def test_coherence_of_one_segment_states_no_error():
    one = Spectra(np.array([1.0]), np.array([[1 + 0j]]), np.array([[2 + 0j]]))
    assert np.isinf(one.random_error).all()
    assert np.isnan(one.error_shown).all()


def test_delay_is_not_the_bend_of_the_phase():
    f = np.linspace(1, 20, 20)
    w = 2j * math.pi * f
    lag = np.exp(-0.004 * w) / (1 + 0.005 * w)
    assert delay_s(f, lag, 12.0) == pytest.approx(0.009, rel=0.02)


def test_a_gap_in_the_period_is_refused():
    t = np.arange(0, 2, 0.001)
    t = t[(t < 1.5) | (t > 1.65)]
    with pytest.raises(ValueError, match="gap of 15"):
        coefficients(t, np.sin(t), np.array([1.0, 40.0]), 1.0)


def test_multisine_keeps_peak_and_slope():
    wave = multisine(2, (1, 60), 20, 1.0, 10.0).scaled(50.0, 3000.0)
    t = np.linspace(0, 1, 5000)
    assert np.max(np.abs(wave.at(t))) <= 50.5
    assert np.max(np.abs(wave.slope(t))) <= 3030.0
