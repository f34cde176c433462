"""Impedance of virtual springs from records and designs whose impedance is known."""

import math
from typing import Any

import numpy as np
import pytest

from hil.measure import impedance
from hil.profile import load_profile
from tests.hil.measure.synthetic import SyntheticRun

PROFILE = load_profile("footplate_trainer")
STIFFNESS, DAMPING = 40e3, 120.0


def test_stiffness_and_damping_of_a_spring_under_the_hand():
    columns: dict[str, list[Any]] = {"time_s": [], "output_position_m": [], "spring_force_N": []}
    windows, chance, begin = [], np.random.default_rng(1), 0
    for f in impedance.TRIED_Hz:
        t = np.cumsum(np.full(round(impedance.PERIODS / f * 1000), 0.001))
        w = 2 * math.pi * f
        x, v = 0.0015 * np.sin(w * t), 0.0015 * w * np.cos(w * t)
        columns["time_s"].append(t)
        columns["output_position_m"].append(0.0275 + x)
        force = -STIFFNESS * x - DAMPING * v + chance.normal(0, 0.4, len(t))
        columns["spring_force_N"].append(force)
        windows.append(("soft", begin, begin + len(t), {"frequency_Hz": f}))
        begin += len(t)
    run = SyntheticRun({name: np.concatenate(each) for name, each in columns.items()}, windows)
    at, dynamic = impedance._dynamic(run, "soft")
    assert np.mean(dynamic.real) == pytest.approx(STIFFNESS, rel=0.003)
    assert np.mean(dynamic.imag / (2 * math.pi * at)) == pytest.approx(DAMPING, rel=0.05)


def test_the_designed_loop_renders_the_spring_and_is_passive_at_low_frequency():
    f = np.array([0.2, 0.5, 1.0])
    z = impedance.designed_impedance(PROFILE, STIFFNESS, f)
    assert -z.imag * 2 * math.pi * f == pytest.approx(np.full(3, STIFFNESS), rel=0.02)
    assert np.all(z.real > 0.0)


def test_the_map_stays_within_what_the_bench_permits():
    gains = impedance._designed(PROFILE)
    for stiffness, damping in impedance._grid(PROFILE):
        assert stiffness <= gains.most_stiffness_N_m
        assert damping <= min(PROFILE.limits.damping, gains.most_damping(stiffness)) + 1e-9
