"""Behaviours: limited or refused requests, the forces that they compute, and their motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from hil.control.behaviours import check_behaviour, passive_bounds, start_behaviour
from hil.control.calibration import ForceCalibration
from hil.control.force_design import design
from hil.core.limits import Limit
from hil.core.requests import ConstantForce, Float, HoldPosition, VirtualSpring, Waveform
from hil.profile.loader import load_profile

T = 0.001
TRAINER = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")
GAINS = design(TRAINER, T, T)
FORCE = TRAINER.limits.force.limited
LOWER, UPPER = TRAINER.limits.travel.lower, TRAINER.limits.travel.upper


def with_control(**values: object):
    return TRAINER.model_copy(update={"control": TRAINER.control.model_copy(update=values)})


# ------------------------------------------------------------------ limits


@pytest.mark.parametrize(
    ("behaviour", "limit", "name", "kept"),
    [
        (ConstantForce(force_N=9000.0), Limit.FORCE, "force_N", FORCE),
        (ConstantForce(force_N=-9000.0), Limit.FORCE, "force_N", -FORCE),
        (VirtualSpring(rest_m=0.03, stiffness_N_m=1e3, bias_N=1e4), Limit.FORCE, "bias_N", FORCE),
        (VirtualSpring(rest_m=-1.0, stiffness_N_m=1e3), Limit.TRAVEL, "rest_m", LOWER),
        (HoldPosition(position_m=0.2), Limit.TRAVEL, "position_m", UPPER),
        (
            HoldPosition(position_m=0.03, speed_m_s=3.0),
            Limit.SPEED,
            "speed_m_s",
            TRAINER.limits.speed.limited,
        ),
        (Float(damping_N_s_m=1e9), Limit.DAMPING, "damping_N_s_m", TRAINER.limits.damping),
        (
            Waveform(shape="sine", offset=100.0, amplitude=1e4),
            Limit.FORCE,
            "amplitude",
            FORCE - 100.0,
        ),
        (Waveform(shape="step", offset=0.0, amplitude=-1e4), Limit.FORCE, "amplitude", -FORCE),
        (Waveform(shape="sine", offset=1e4, amplitude=0.0), Limit.FORCE, "offset", FORCE),
        (
            Waveform(shape="sine", of="rest", offset=0.05, amplitude=0.02),
            Limit.TRAVEL,
            "amplitude",
            UPPER - 0.05,
        ),
        (
            Waveform(shape="table", points=((0.0, 0.0), (1.0, 1e4))),
            Limit.FORCE,
            "points",
            ((0.0, 0.0), (1.0, FORCE)),
        ),
    ],
)
def test_requests_outside_limits_are_trimmed(behaviour, limit, name, kept):
    checked = check_behaviour(behaviour, TRAINER, GAINS)
    assert checked.refusal is None and checked.limited_mask == 1 << limit
    got = getattr(checked.behaviour, name)
    assert got == (kept if isinstance(kept, tuple) else pytest.approx(kept))
    # A limited request passes unchanged the second time.
    assert check_behaviour(checked.behaviour, TRAINER, GAINS).limited_mask == 0


@pytest.mark.parametrize(
    "behaviour",
    [
        Float(),
        ConstantForce(force_N=100.0, damping_N_s_m=500.0),
        HoldPosition(position_m=0.03),
        VirtualSpring(rest_m=0.03, stiffness_N_m=50e3, damping_N_s_m=800.0),
        Waveform(shape="sine", offset=100.0, amplitude=50.0, frequency_Hz=5.0),
    ],
)
def test_requests_within_limits_pass_untouched(behaviour):
    checked = check_behaviour(behaviour, TRAINER, GAINS)
    assert checked.refusal is None and checked.limited_mask == 0
    assert checked.behaviour is behaviour


@pytest.mark.parametrize(
    ("behaviour", "words"),
    [
        (Waveform(shape="sine", frequency_Hz=400.0, amplitude=1.0), "400 Hz is refused"),
        (Waveform(shape="sweep", frequency_Hz=1.0, end_frequency_Hz=300.0), "300 Hz is refused"),
        (Waveform(shape="table", points=((0.0, 1.0),)), "at least two points"),
        (Waveform(shape="table", points=((0.0, 1.0), (0.0, 2.0))), "must rise"),
        (ConstantForce.model_construct(force_N=math.nan, damping_N_s_m=0.0), "not a finite number"),
        (
            Waveform.model_construct(shape="table", points=((0.0, 1.0), (1.0, math.inf))),
            "not a finite number",
        ),
    ],
)
def test_what_cannot_be_done_is_refused_with_the_reason(behaviour, words):
    assert words in (check_behaviour(behaviour, TRAINER, GAINS).refusal or "")


def test_too_stiff_is_refused_or_limited_as_the_profile_says():
    stiff = VirtualSpring(rest_m=0.03, stiffness_N_m=200e3)
    most = passive_bounds(TRAINER)[0]
    bounding = check_behaviour(stiff, with_control(over_stiff="bound"), GAINS)
    assert bounding.refusal is None
    assert bounding.limited_mask & 1 << Limit.VIRTUAL_STIFFNESS
    assert bounding.behaviour.stiffness_N_m == pytest.approx(most)
    refusing = check_behaviour(stiff, with_control(over_stiff="refuse"), GAINS)
    assert "200.0 N/mm is refused: above 117.6 N/mm" in (refusing.refusal or "")
    rest = Waveform(shape="sine", of="rest", offset=0.03, stiffness_N_m=200e3)
    assert check_behaviour(rest, with_control(over_stiff="refuse"), GAINS).refusal


def test_damping_is_held_lower_beside_a_stiff_spring():
    stiffest = passive_bounds(TRAINER)[0]
    soft = VirtualSpring(rest_m=0.03, stiffness_N_m=20e3, damping_N_s_m=1000.0)
    stiff = VirtualSpring(rest_m=0.03, stiffness_N_m=stiffest, damping_N_s_m=1000.0)
    assert check_behaviour(soft, TRAINER, GAINS).limited_mask == 0
    checked = check_behaviour(stiff, TRAINER, GAINS)
    assert checked.limited_mask == 1 << Limit.DAMPING
    assert checked.behaviour.damping_N_s_m == pytest.approx(GAINS.most_damping(stiffest))


def test_a_slow_cycle_renders_less_stiffness():
    """At 200 Hz the loop cannot hold the empty lever with a spring near the real one's rate."""
    slow = with_control(rate=200.0, over_stiff="refuse")
    gains = design(slow, 1 / 200, 1 / 200)
    stiff = VirtualSpring(rest_m=0.03, stiffness_N_m=100e3)
    refusal = check_behaviour(stiff, slow, gains).refusal
    assert refusal and "too slow" in refusal


def test_the_asked_bandwidth_is_designed_for():
    gains = design(with_control(force_bandwidth=12.0), T, T)
    assert gains.predicted.bandwidth_Hz == pytest.approx(12.0, rel=0.02)


# ------------------------------------------------------------------ computed forces


def test_virtual_spring_follows_its_formula():
    active = start_behaviour(
        VirtualSpring(rest_m=0.03, stiffness_N_m=40e3, damping_N_s_m=500.0, bias_N=20.0),
        TRAINER,
        0.03,
        0.0,
        GAINS,
    )
    assert active.force(0.028, 0.0, T) == pytest.approx(40e3 * 0.002 + 20)
    assert active.force(0.031, 0.01, T) == pytest.approx(
        40e3 * (0.03 - 0.031 - GAINS.lead_s * 0.01) + 20 - 500 * 0.01
    )
    assert active.stiffness_N_m == 40e3 and active.rest_m == 0.03 and active.limited == 0


@given(st.floats(1e3, 300e3), st.floats(-0.012, 0.012))
def test_virtual_spring_is_nowhere_stiffer_than_the_real_one_at_that_force(stiffness, stretch):
    """Also beyond the knee, where one set of springs is slack; the stiffness has no steps."""
    checked = check_behaviour(
        VirtualSpring(rest_m=0.03, stiffness_N_m=stiffness), with_control(over_stiff="bound"), GAINS
    )
    active = start_behaviour(checked.behaviour, TRAINER, 0.03, 0.0, GAINS)
    spring = ForceCalibration(TRAINER.calibration, TRAINER.sensors.deflection)
    h = 1e-6
    below, force, above = (active.force(0.03 - stretch + i * h, 0.0, T) for i in (1, 0, -1))
    slope = max(above - force, force - below) / h
    own = max(
        spring.stiffness(spring.deflection_for(force + beside)) for beside in (-0.2, 0.0, 0.2)
    )
    assert 0 < slope <= own * (1 + 1e-6)
    assert math.copysign(1, force) == math.copysign(1, stretch) or abs(stretch) < 1e-12
    active.force(0.03 - stretch, 0.0, T)
    trimmed = active.stiffness_N_m < 0.999 * checked.behaviour.stiffness_N_m
    assert bool(active.limited) == trimmed


@pytest.mark.parametrize("end", [20.0, 1.0, 0.2])
def test_sweep_is_scipys_logarithmic_chirp(end):
    wave = start_behaviour(
        Waveform(
            shape="sweep",
            offset=10,
            amplitude=5,
            frequency_Hz=1,
            end_frequency_Hz=end,
            duration_s=4.0,
        ),
        TRAINER,
        0.03,
        0.0,
        GAINS,
    )
    t = np.arange(0, 4, T)
    got = np.array([wave.force(0.03, 0.0, T) for _ in t])
    reference = 10 + 5 * signal.chirp(t, 1, 4.0, end, method="logarithmic", phi=-90)
    assert np.allclose(got, reference, atol=1e-6)


def test_sine_step_and_their_end():
    sine = start_behaviour(
        Waveform(shape="sine", offset=10, amplitude=5, frequency_Hz=4, duration_s=0.5),
        TRAINER,
        0.03,
        0.0,
        GAINS,
    )
    t = np.arange(0, 0.5, T)
    got = np.array([sine.force(0.03, 0.0, T) for _ in t])
    assert np.allclose(got, 10 + 5 * np.sin(2 * np.pi * 4 * t), atol=1e-9)
    assert [sine.force(0.03, 0.0, T) for _ in range(3)][-1] == 10 and sine.finished
    step = start_behaviour(
        Waveform(shape="step", offset=10, amplitude=30, duration_s=0.01), TRAINER, 0.03, 0.0, GAINS
    )
    course = [step.force(0.03, 0.0, T) for _ in range(20)]
    assert course[0] == 40 and course[-1] == 10


@settings(deadline=None)
@given(st.lists(st.floats(1e-3, 0.05), min_size=2, max_size=12), st.data())
def test_table_interpolates_as_numpy_does(gaps, data):
    times = np.cumsum(gaps)
    values = [data.draw(st.floats(-500, 500)) for _ in times]
    points = tuple((float(t), float(v)) for t, v in zip(times, values, strict=True))
    wave = start_behaviour(Waveform(shape="table", points=points), TRAINER, 0.03, 0.0, GAINS)
    grid = np.arange(0, times[-1] + 0.01, T)
    got = [wave.force(0.03, 0.0, T) for _ in grid]
    time = np.cumsum(np.full(len(grid), T)) - T  # summed as the behaviour does
    assert got == pytest.approx(np.interp(time, times, values), abs=1e-6 * 500 / 1e-3)
    assert wave.finished


def test_rest_waveform_is_a_moving_spring():
    wave = start_behaviour(
        Waveform(shape="step", of="rest", offset=0.03, amplitude=0.002, stiffness_N_m=20e3),
        TRAINER,
        0.03,
        0.0,
        GAINS,
    )
    assert wave.force(0.03, 0.0, T) == pytest.approx(40.0)
    assert wave.rest_m == pytest.approx(0.032) and wave.stiffness_N_m == 20e3


def test_hold_moves_smoothly_within_its_speed():
    hold = start_behaviour(
        HoldPosition(position_m=0.04, speed_m_s=0.03), TRAINER, 0.02, 50.0, GAINS
    )
    first = hold.force(0.02, 0.0, T)
    assert first == pytest.approx(50.0, abs=0.1)  # takes over the present force
    rest = [hold.rest_m]
    while not hold.finished:
        hold.force(hold.rest_m, 0.0, T)
        rest.append(hold.rest_m)
    speed = np.diff(rest) / T
    assert rest[-1] == pytest.approx(0.04) and np.all(speed >= -1e-9)
    assert np.max(speed) == pytest.approx(0.03, rel=0.01)
    assert np.max(np.abs(np.diff(speed))) / T < 1.0  # m/s²: smooth at both ends


def test_hold_does_not_wind_up():
    """Held off target by a wall for a minute, hold releases the force as soon as it is past target."""
    hold = start_behaviour(HoldPosition(position_m=0.03), TRAINER, 0.03, 0.0, GAINS)
    for _ in range(60_000):
        force = hold.force(0.028, 0.0, T)
    assert force <= FORCE + 60
    course = [hold.force(0.0305, 0.0, T) for _ in range(2000)]
    assert course[-1] < 0.9 * FORCE and all(math.isfinite(value) for value in course)
