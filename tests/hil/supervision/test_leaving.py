"""Leaving an end with any learned load: a cap does not block for long while there is room."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.control.estimation import Estimator
from hil.core.requests import ConstantForce, HoldPosition
from hil.core.samples import State
from hil.profile.loader import load_profile
from hil.profile.schema import Profile
from hil.supervision.bounds import Bounds
from hil.supervision.leaving import OPENED_S
from tests.hil.supervision.listening_rig import Rig

PERIOD = 0.001
PROFILE = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")


@settings(max_examples=25, deadline=None)
@given(
    profile=st.sampled_from([PROFILE, SLIDE]),
    load_share=st.floats(0, 1),
    mass_share=st.floats(0, 1),
    held_share=st.floats(-1, 1),
    beyond_m=st.floats(-0.004, 0.001),
    up=st.booleans(),
    late=st.lists(st.integers(1, 10), min_size=20, max_size=20),
)
def test_whatever_load_is_learned_a_cap_gives_way_within_a_third_of_a_second(
    profile: Profile,
    load_share: float,
    mass_share: float,
    held_share: float,
    beyond_m: float,
    up: bool,
    late: list[int],
) -> None:
    """Worst case: output and force stay constant while motion away from the end is commanded."""
    bounds = Bounds(profile)
    estimator = Estimator(PROFILE, PERIOD)
    travel = profile.limits.travel
    estimator.reset(travel.lower - beyond_m if up else travel.upper + beyond_m, 0.0)
    estimator.step_s = PERIOD
    held = held_share * bounds.flat.high_N
    most = profile.limits.force.limited * (1 if up else -1)
    seconds = 0.0
    periods = 0
    while seconds <= OPENED_S + 0.02:
        dt = PERIOD * late[periods % len(late)]
        periods += 1
        estimator.step_s = dt
        bounds.update(estimator, held, True)
        # The load is never unlearned, against all evidence.
        bounds.load.hung_load_N = load_share * bounds.flat.high_N
        bounds.load.effective_mass_kg += mass_share * 400.0
        bounds.compute(estimator, held, 0.0, 20.0, 0.0)
        bounds.note_shaped(max(bounds.force_low_N, min(bounds.force_high_N, most)))
        seconds += dt
    if up:
        assert bounds.force_high_N == pytest.approx(bounds.flat.high_N, abs=1.0)
    else:
        assert bounds.force_low_N == pytest.approx(bounds.flat.low_N, abs=1.0)


def test_an_end_itself_never_gives_way() -> None:
    bounds = Bounds(PROFILE)
    estimator = Estimator(PROFILE, PERIOD)
    estimator.reset(PROFILE.limits.travel.upper, 0.0)
    estimator.step_s = PERIOD
    for _ in range(1000):
        bounds.update(estimator, 38.0, True)
        bounds.compute(estimator, 38.0, 0.0, 20.0, 0.0)
        bounds.note_shaped(bounds.force_high_N)
    assert bounds.force_high_N == pytest.approx(38.0, abs=1.0)


@pytest.mark.parametrize("learned_N", [0.0, 300.0, 580.0])
def test_the_rig_leaves_its_upper_end_under_a_wrongly_learned_load(
    footplate: Profile, learned_N: float
) -> None:
    rig = Rig(footplate, 0.0, at_m=0.045)
    rig.apply(ConstantForce(force_N=150.0, damping_N_s_m=200.0))
    rig.run(1.0)
    at_end = rig.value("output_position_m")
    assert at_end > 0.0515
    bounds = rig.bench.bench.supervisor.bounds
    rig.apply(ConstantForce(force_N=-500.0))
    for _ in range(400):
        bounds.load.hung_load_N = learned_N
        rig.run(0.001)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.value("output_position_m") < at_end - 0.005


def test_a_true_weight_that_leaves_the_upper_end_is_still_braked(footplate: Profile) -> None:
    rig = Rig(footplate, 7.5)
    rig.apply(HoldPosition(position_m=0.045, speed_m_s=0.04))
    rig.run(5.0)
    rig.apply(ConstantForce(force_N=-500.0))
    rig.run(3.0)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text
    assert rig.value("output_position_m") == pytest.approx(
        footplate.limits.travel.lower, abs=footplate.limits.travel.tripped_beyond
    )
