"""Impedance of virtual springs from records and designs with known impedance."""

import math
from typing import Any

import numpy as np
import pytest

from hil.measure import impedance, impedance_weights
from hil.measure.characteristic import windows
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


@pytest.mark.parametrize("damping", [-30.0, 0.0, 250.0])
def test_a_mass_that_swings_shows_spring_and_damper(damping):
    moved, stiffness = 140.0, 56e3
    late = np.random.default_rng(4)
    t = np.cumsum(np.where(late.random(1000) < 0.05, 0.002, 0.001))
    decay = damping / (2 * moved)
    w = math.sqrt(stiffness / moved - decay**2)
    x = 0.0015 * np.exp(-decay * t) * np.sin(w * t)
    v = np.gradient(x, t)
    force = 210.0 - stiffness * x - damping * v
    columns = {
        "time_s": t,
        "output_position_m": 0.0275 + x + late.normal(0, 2e-6, len(t)),
        "spring_force_N": force + late.normal(0, 0.3, len(t)),
    }
    run = SyntheticRun(columns, [("swing", 0, len(t), {"weight_kg": 2.5})])
    found = impedance_weights.spring_and_damper(run, windows(run, "swing")[0])
    assert found[0] == pytest.approx(stiffness, rel=0.003)
    assert found[1] == pytest.approx(damping, abs=8.0)


def test_weights_swing_within_travel_and_on_a_permitted_spring():
    swung = impedance_weights._swung(PROFILE)
    assert [mass for mass, _, _ in swung] == [2.5, 5.0]
    stiffness = impedance_weights._stiffness(PROFILE)
    assert stiffness <= impedance.designed_gains(PROFILE).most_stiffness_N_m
    for _, moved, weight in swung:
        assert weight < PROFILE.limits.force.limited
        # The swing is well below the speed limit.
        speed = impedance_weights.SWING_M * math.sqrt(stiffness / moved)
        assert speed < 0.5 * PROFILE.limits.speed.limited


def test_the_map_stays_within_what_the_bench_permits():
    gains = impedance.designed_gains(PROFILE)
    for stiffness, damping in impedance._grid(PROFILE):
        assert stiffness <= gains.most_stiffness_N_m
        assert damping <= min(PROFILE.limits.damping, gains.most_damping(stiffness)) + 1e-9


@pytest.mark.parametrize(("half_life_s", "earned"), [(2.0, True), (0.03, False)])
def test_what_the_design_shows_on_a_recorded_swing(half_life_s, earned):
    """A swing that lasts shows Re Z; of one that dies at once the fit finds something else."""
    f, before = 3.0, impedance_weights.BEFORE_S
    t = np.arange(0.0, before + 0.8, 0.001)
    since = np.maximum(t - before / 2, 0.0)
    x = 0.001 * np.sin(2 * math.pi * f * since) * 0.5 ** (since / half_life_s)
    begin = round(1000 * before)
    columns = {"time_s": t, "output_position_m": 0.0275 + x}
    run = SyntheticRun(columns, [("swing", begin, len(t), {"weight_kg": 2.5})])
    stiffness = impedance_weights._stiffness(PROFILE)
    found = impedance_weights._designed(run, windows(run, "swing"), PROFILE, stiffness, 0.0)
    (z,) = impedance.designed_impedance(PROFILE, stiffness, np.array([f]))
    near = pytest.approx(float(z.real), rel=0.2)
    assert (found[1] == near) is earned
    if earned:
        assert found[0] == pytest.approx(-float(z.imag) * 2 * math.pi * f, rel=0.02)


def test_a_swing_left_by_design_falls_with_damping():
    stiffness, most = impedance._grid(PROFILE)[-1]
    undamped = impedance._left_by_design(PROFILE, stiffness, 0.0)
    damped = impedance._left_by_design(PROFILE, stiffness, most)
    assert 0.0 <= damped[0] < undamped[0] < 100.0
    assert undamped[1] >= impedance.LEFT_KNOWN
