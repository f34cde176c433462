"""Two bodies fitted to resistance readings cover the true bodies; duty cycles are consistent."""

import math

import numpy as np
import pytest

from hil.measure import heat, measure_in_lockstep
from hil.measure.heat import HOLD_S, READ_AT_S
from hil.measure.heat_model import TwoBodies, fit_bodies, rise_K
from hil.profile import load_profile
from hil.recorder import load_run

STATED = TwoBodies(48.0, 45.0, 32.0, 900.0)
NOISE_K = 0.03


def test_the_band_of_each_parameter_covers_the_truth():
    chance = np.random.default_rng(5)
    grid, loss = np.linspace(0, HOLD_S, 30), np.full(29, 0.57)
    at = HOLD_S + np.array(READ_AT_S)
    takes = (
        lambda b: b.winding_s,
        lambda b: b.housing_s,
        lambda b: b.hottest_K(1.0),
        lambda b: b.continuous(80.0, 2.0),
    )
    inside = np.zeros(len(takes))
    rigs = 40
    for _ in range(rigs):
        size = chance.uniform(0.75, 1.3, 4)
        true = TwoBodies(48 * size[0], 45 * size[1], 32 * size[2], 900 * size[3])
        cold = chance.normal(0, NOISE_K / math.sqrt(3))
        rise = true.rises(grid, loss, at) + chance.normal(0, NOISE_K, len(at)) + cold
        fitted = fit_bodies(grid, loss, at, rise, STATED, NOISE_K)
        for i, take in enumerate(takes):
            u95 = 2 * np.std([take(each) for each in fitted.drawn])
            inside[i] += abs(take(fitted.bodies) - take(true)) <= u95
    # 95 % of 40 is 38; 34 or fewer occur in 1 campaign of 100.
    assert np.all(inside >= 35), inside


def test_rise_by_resistance():
    assert rise_K(np.array([1.2]), 1.0, 25.0)[0] == pytest.approx(52.0)


def test_duties_and_holding_times_agree_with_each_other():
    good = STATED.continuous(80.0, 2.0)
    assert STATED.periodic(80.0, 2.0, 1.0) == pytest.approx(good)
    assert STATED.periodic(80.0, 2.0, 0.25) > STATED.periodic(80.0, 2.0, 0.6) > good
    assert math.isinf(STATED.hold_s(0.99 * good, 80.0, 2.0))
    held = STATED.hold_s(1.3 * good, 80.0, 2.0)
    times = np.array([0.0, held])
    # At the end of the permitted holding time the hottest phase has the permitted rise.
    hot = TwoBodies(2 * 48.0, 45.0, 32.0, 900.0)
    rise = hot.rises(times, np.array([(1.3 * good) ** 2]), np.array([held]))
    assert rise[0] == pytest.approx(80.0)


def test_too_few_readings_are_refused():
    with pytest.raises(ValueError, match="at least six"):
        fit_bodies(np.array([0.0, 10.0]), np.ones(1), np.arange(3.0), np.ones(3), STATED, NOISE_K)


def test_each_seed_has_its_own_meter(tmp_path, monkeypatch):
    monkeypatch.setattr(heat, "HOLD_S", 0.5)
    monkeypatch.setattr(heat, "READ_AT_S", (0.5,))
    read = []
    for n, seed in enumerate((1, 1, 2)):
        folder = tmp_path / str(n)
        measure_in_lockstep(load_profile("footplate_trainer"), "heat", seed, folder)
        (file,) = folder.rglob("run.yaml")
        events = load_run(file.parent).events
        read.append([e["values"]["ohm"] for e in events if e.get("text") == "cold"])
        assert len(read[-1]) == heat.COLD_READINGS
    assert read[0] == read[1] != read[2]
