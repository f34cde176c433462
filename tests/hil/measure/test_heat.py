"""Two bodies fitted to resistance readings cover the true bodies; duty cycles are consistent."""

import math
from dataclasses import astuple

import numpy as np
import pytest
from scipy.optimize import approx_fprime, minimize_scalar

from drivers.simulated.rig_state import RigState
from hil.measure import heat, measure_in_lockstep
from hil.measure.heat import HOLD_S, READ_AT_S
from hil.measure.heat_model import Readings, TwoBodies, fit_bodies, rise_K
from hil.profile import load_profile, rig_parameters
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
    inside, above, below = np.zeros((3, len(takes)))
    rigs = 40
    for _ in range(rigs):
        size = chance.uniform(0.75, 1.3, 4)
        true = TwoBodies(48 * size[0], 45 * size[1], 32 * size[2], 900 * size[3])
        cold = chance.normal(0, NOISE_K / math.sqrt(3))
        rise = true.rises(grid, loss, at) + chance.normal(0, NOISE_K, len(at)) + cold
        fitted = fit_bodies(grid, loss, at, rise, STATED, NOISE_K)
        for i, take in enumerate(takes):
            low, high = fitted.band(take)
            inside[i] += low <= take(true) <= high
            above[i] += high - take(fitted.bodies)
            below[i] += take(fitted.bodies) - low
    # 95 % of 40 is 38; 34 or fewer occur in 1 campaign of 100.
    assert np.all(inside >= 35), inside
    # After five minutes the housing may be much slower than the best fit, but not much faster.
    assert above[1] > 1.3 * below[1]


def test_an_end_of_a_band_is_where_the_best_fit_of_all_else_is_two_readings_worse():
    grid, loss = np.linspace(0, HOLD_S, 30), np.full(29, 0.45)
    at = HOLD_S + np.array(READ_AT_S)
    noise = np.random.default_rng(3).normal(0, NOISE_K, len(at))
    rise = STATED.rises(grid, loss, at) + noise
    fitted = fit_bodies(grid, loss, at, rise, STATED, NOISE_K)

    def least(housing_s):
        """Return the least sum of squares: linear in both rises and the cold reading's error."""

        def of(winding_s):
            one = TwoBodies(1.0, winding_s, 0.0, 1.0).rises(grid, loss, at)
            other = TwoBodies(0.0, 1.0, 1.0, housing_s).rises(grid, loss, at)
            rows = np.vstack([np.column_stack([one, other, np.ones(len(at))]), [0.0, 0.0, 1.0]])
            return np.linalg.lstsq(rows, np.append(rise, 0.0), rcond=None)[1][0]

        return minimize_scalar(of, bounds=(30.0, 60.0), method="bounded").fun

    for end in fitted.band(lambda b: b.housing_s):
        worse = math.sqrt(least(end) - least(fitted.bodies.housing_s)) / fitted.spread_K
        assert worse == pytest.approx(2.0, abs=0.05)


def test_slopes_are_those_of_the_residuals():
    grid, loss = np.linspace(0, HOLD_S, 30), np.full(29, 0.45)
    at = np.append(HOLD_S + np.array(READ_AT_S), 100.0)  # the last within the hold
    readings = Readings(grid, loss, at, np.zeros(len(at)))
    tried = np.append(np.log(astuple(STATED)), 0.1)
    by_steps = approx_fprime(tried, readings.miss, 1e-7)
    assert readings.slopes(tried) == pytest.approx(by_steps, rel=1e-5, abs=1e-5)


def test_a_figure_that_the_readings_do_not_bound_has_no_band():
    grid, loss = np.linspace(0, HOLD_S, 30), np.full(29, 0.45)
    at = HOLD_S + np.array(READ_AT_S)
    fitted = fit_bodies(grid, loss, at, STATED.rises(grid, loss, at), STATED, 0.2)
    low, high = fitted.band(lambda b: b.winding_s)
    assert low < STATED.winding_s < high
    with pytest.raises(ValueError, match="hold for longer"):
        fitted.band(lambda b: b.housing_s)


def test_the_simulated_winding_is_copper():
    parameters = rig_parameters(load_profile("footplate_trainer"))
    rig = RigState(parameters)
    cold_ohm, rig.housing_rise_K = rig.winding_ohm, 40.0
    read = rise_K(np.array([rig.winding_ohm]), cold_ohm, 25.0)[0]
    # IEC 60034-1 has k = 235 for copper, IEC 60028 0.00393 per K at 20 degC: 0.2 % apart.
    assert read == pytest.approx(40.0, rel=0.003)


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
