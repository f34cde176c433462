"""A deflection sensor that freezes at rest is detected by its missing noise; a quiet one never trips."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import PowerStage, Telemetry
from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.control import Estimator
from hil.core import Limit, State
from hil.core.requests import Apply, ConstantForce, PowerOn
from hil.profile.loader import load_profile
from hil.supervision.sensor_watch import SensorWatch

PERIOD_S = 0.001
PROFILE = load_profile("footplate_trainer")
LATE = Lateness(share=0.02, up_to_s=0.004)
SOON_S = 0.15


def bench_at_rest(name: str, powered: bool, noise: float | None = None) -> LockstepBench:
    """Return a late bench that has rested for two seconds."""
    profile = load_profile(name)
    if noise is not None:
        simulation = profile.simulation
        actual = {**simulation.actual, "sensor_noise_counts": noise}
        profile = profile.model_copy(
            update={"simulation": simulation.model_copy(update={"actual": actual})}
        )
    bench = LockstepBench(profile, 1, LATE)
    bench.run(0.2)
    if powered:
        assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(2.0)
    return bench


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_a_sensor_that_freezes_at_rest_stops_the_bench_soon(name):
    bench = bench_at_rest(name, powered=True)
    assert bench.bench.state is State.STANDBY
    bench.environment.disturb("deflection_frozen", 1)
    bench.run(SOON_S)
    assert bench.bench.cause == Limit.SENSOR_FROZEN, bench.bench.cause_text
    assert "although its noise at rest" in bench.bench.cause_text


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_a_sensor_that_is_frozen_gets_no_power(name):
    bench = bench_at_rest(name, powered=False)
    bench.environment.disturb("deflection_frozen", 1)
    bench.run(SOON_S)
    outcome = bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted and "noise at rest" in outcome.text


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
@pytest.mark.parametrize("noise", [0.0, 0.15])
def test_a_quiet_sensor_at_rest_is_left_alone(name, noise):
    bench = bench_at_rest(name, powered=True, noise=noise)
    force = 0.1 * bench.profile.limits.force.limited
    assert bench.request(Apply(behaviour=ConstantForce(force_N=force))).accepted
    bench.run(1.0)
    bench.environment.disturb("deflection_frozen", 1)
    bench.run(0.1)
    assert bench.bench.cause != Limit.SENSOR_FROZEN


def quiet(readings: list[float], power: PowerStage = PowerStage.ON) -> int:
    """Return the number of readings after which a watch trips, or 0."""
    watch = SensorWatch(PROFILE, PERIOD_S)
    still = Estimator(PROFILE, PERIOD_S)
    telemetry = Telemetry(age_s=0.0, deflection_age_s=0.0, power=power)
    for number, counts in enumerate(readings):
        telemetry.deflection_counts = counts
        telemetry.time_s = telemetry.deflection_time_s = PERIOD_S * (number + 1)
        if watch.look(telemetry, still) == Limit.SENSOR_FROZEN:
            return number
    return 0


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 0.5), st.sampled_from([1, 4]), st.floats(0.0, 0.6), st.integers(0, 10_000))
def test_noise_learned_where_two_steps_meet_never_trips_a_quiet_place(sigma, step, drift, seed):
    chance = random.Random(seed)
    at = [0.5] * 1500 + [0.5 + drift * n for n in range(500)] + [0.0] * 2000
    readings = [2048.0 + step * round(x + chance.gauss(0.0, sigma)) for x in at]
    assert quiet(readings) == 0


@settings(max_examples=20, deadline=None)
@given(st.floats(0.7, 20.0), st.floats(0.0, 1.0), st.integers(0, 10_000))
def test_a_noisy_one_trips_when_it_freezes_and_not_before(sigma, at, seed):
    chance = random.Random(seed)
    readings = [2048.0 + round(at + chance.gauss(0.0, sigma)) for _ in range(3000)]
    tripped = quiet(readings + [readings[-1]] * 300)
    assert 3000 <= tripped < 3200
