"""Rise and overshoot of noisy force steps."""

from __future__ import annotations

import numpy as np
import pytest

from hil.measure.characteristic import mean_u95
from hil.measure.force_steps import peaks, rise_s

TIME_S = np.arange(0.0, 0.27, 0.001)


def creeping(seed, count=12, noise=0.02):
    """Return steps that soon reach 0.87 and then creep to 1, as dry friction makes them do."""
    clean = 0.87 * (1 - np.exp(-TIME_S / 0.005)) + 0.13 * (1 - np.exp(-TIME_S / 0.06))
    return clean, clean + noise * np.random.default_rng(seed).standard_normal((count, len(TIME_S)))


def test_the_rise_is_the_textbook_one_of_a_first_order_lag():
    """10 to 90 % of a first-order lag takes ln 9 time constants (from memory)."""
    assert rise_s(TIME_S, 1 - np.exp(-TIME_S / 0.02)) == pytest.approx(0.02 * np.log(9), rel=0.005)


def test_noise_does_not_end_a_creeping_rise_early():
    clean, _ = creeping(0)
    off = [
        rise_s(TIME_S, creeping(seed)[1].mean(axis=0)) - rise_s(TIME_S, clean) for seed in range(40)
    ]
    assert abs(np.mean(off)) < 3 * np.std(off) / np.sqrt(len(off)) + 1e-4
    assert np.std(off) < 3e-3


def test_noise_is_no_overshoot():
    """The highest of 270 noisy samples is 2.8 standard deviations above the truth."""
    settled, off = 1 - np.exp(-TIME_S / 0.01), []
    for seed in range(60):
        noise = 0.02 * np.random.default_rng(seed).standard_normal((12, len(TIME_S)))
        value, u95 = mean_u95(peaks(settled + noise))
        off.append((value - 1) / u95)
    assert np.mean(np.abs(off) <= 1) > 0.85
    assert abs(np.mean(off)) < 0.15


def test_a_rise_that_does_not_get_there_is_none():
    assert np.isnan(rise_s(TIME_S, 0.8 * (1 - np.exp(-TIME_S / 0.02))))
