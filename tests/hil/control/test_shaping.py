"""From setpoint to shaped force."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.control.shaping import Shaper
from hil.core.limits import Limit
from hil.profile.loader import load_profile

T = 0.001
PROFILE = load_profile("footplate_trainer")
RATE = PROFILE.limits.force_rate.limited
asked_forces = st.lists(st.floats(-5e3, 5e3), min_size=1, max_size=60)


@settings(deadline=None)
@given(st.floats(-600, 600), asked_forces, st.floats(-600, 0), st.floats(0, 600))
def test_caps_and_rate_hold(start, asked, low, high):
    shaper = Shaper(PROFILE)
    last = max(low, min(high, start))
    shaper.start(last)
    for value in asked:
        shaped = shaper.shape(value, low, high, T)
        assert low <= shaped <= high
        assert abs(shaped - last) <= RATE * T + 1e-9
        last = shaped


@settings(deadline=None)
@given(st.floats(-600, 600), st.lists(st.floats(-600, 600), min_size=1, max_size=8))
def test_a_change_of_behaviour_begins_without_a_step(start, changes):
    """At a change of behaviour the force moves by no more than the first slice of the blend."""
    shaper = Shaper(PROFILE)
    force = start
    shaper.start(force)
    for asked in changes:
        shaper.start(force)
        first = shaper.shape(asked, -600, 600, T)
        assert abs(first - force) <= abs(asked - force) * T / 0.05 + 1e-9
        for _ in range(40):
            force = shaper.shape(asked, -600, 600, T)


def test_the_blend_dies_away():
    """Half of the difference remains after 60 ms, 2 % after a third of a second."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    course = [shaper.shape(100.0, -600, 600, T) for _ in range(350)]
    assert course[60] == pytest.approx(50, abs=10)
    assert course[-1] > 98
    assert all(b >= a for a, b in itertools.pairwise(course))


def test_rate_limit_is_reported_and_let_go():
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    shaper.shape(0.0, -600, 600, T)
    assert shaper.shape(500.0, -600, 600, T) == pytest.approx(RATE * T)
    assert shaper.limited == 1 << Limit.FORCE_RATE
    for _ in range(100):
        last = shaper.shape(500.0, -600, 600, T)
    assert last == pytest.approx(500.0) and shaper.limited == 0


def test_a_cap_that_closes_outranks_the_rate():
    shaper = Shaper(PROFILE)
    shaper.start(400.0)
    shaper.shape(400.0, -600, 600, T)
    assert shaper.shape(400.0, -600, 100.0, T) == 100.0
    # When the cap opens again the force returns at the permitted rate.
    assert shaper.shape(400.0, -600, 600, T) == pytest.approx(100.0 + RATE * T)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_force_that_a_cap_imposed_goes_as_soon_as_the_cap_opens(sign):
    # At the rate alone, 400 N lasted 50 ms more: a light output just caught was thrown back.
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    low, high = sorted((sign * 400.0, sign * 600.0))
    for _ in range(20):
        braked = shaper.shape(0.0, low, high, T)
    assert braked == sign * 400.0
    opened = [shaper.shape(0.0, -600.0, 600.0, T) for _ in range(60)]
    assert 0.8 < abs(opened[0]) / 400.0 < 1.0  # not a step either
    assert abs(opened[15]) < 0.5 * 400.0 and abs(opened[-1]) < 2.0


def test_where_a_virtual_spring_swings_what_a_cap_imposed_goes_at_the_rate():
    # A faster release would take away the force that brakes the swing: 2.5 J instead of 1.6 J in
    # session 56 of the healthy rigs.
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    shaper.shape(0.0, 400.0, 600.0, T, False)
    assert shaper.shape(0.0, -600.0, 600.0, T, False) == pytest.approx(400.0 - RATE * T)


def test_a_force_that_a_cap_held_down_comes_at_the_rate():
    shaper = Shaper(PROFILE)
    shaper.start(300.0)
    for _ in range(400):
        held = shaper.shape(300.0, -600.0, 100.0, T)
    assert held == 100.0
    last = held
    for _ in range(40):
        shaped = shaper.shape(300.0, -600.0, 600.0, T)
        assert shaped - last <= RATE * T + 1e-9
        last = shaped
    assert last == pytest.approx(300.0, abs=1.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_keeps_the_last_force(bad):
    shaper = Shaper(PROFILE)
    shaper.start(50.0)
    assert shaper.shape(bad, -600, 600, T) == pytest.approx(50.0)
    shaper.shape(60.0, -600, 600, T)
    kept = shaper.shape(bad, -600, 600, T)
    assert math.isfinite(kept) and abs(kept - 50) < 2
    for _ in range(600):
        last = shaper.shape(60.0, -600, 600, T)
    assert last == pytest.approx(60.0, abs=0.1)


def shaped_wave(frequency: float, amplitude: float, cycles: int = 3000) -> np.ndarray:
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    wave = [amplitude * math.sin(2 * math.pi * frequency * T * i) for i in range(cycles)]
    return np.array([shaper.shape(value, -600, 600, T) for value in wave])


@pytest.mark.parametrize(("frequency", "amplitude"), [(13.0, 150.0), (13.0, 300.0), (8.0, 400.0)])
def test_a_wave_steeper_than_the_rate_is_cut_and_not_delayed(frequency, amplitude):
    """A late response to motion feeds energy in; a plain limiter would lag by up to 90°."""
    assert 2 * math.pi * frequency * amplitude > 1.4 * RATE
    shaped = shaped_wave(frequency, amplitude)
    late = np.arange(2000, 3000)
    turn = np.exp(-2j * np.pi * frequency * T * late)
    part = 2j * np.mean(shaped[late] * turn) / amplitude
    assert abs(math.degrees(np.angle(part))) < 6
    assert 0.2 < abs(part) < 0.95
    assert np.max(np.abs(np.diff(shaped))) <= RATE * T + 1e-9


def test_a_wave_within_the_rate_passes_untouched():
    shaped = shaped_wave(8.0, 100.0)
    wave = 100 * np.sin(2 * np.pi * 8 * T * np.arange(3000))
    assert shaped == pytest.approx(wave, abs=1e-6)


def test_a_jump_amid_motion_is_ramped_at_the_full_rate():
    """A new setpoint is reached at the permitted rate, also while the force responds to motion."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    gaps = []
    for i in range(200):
        asked = 30 * math.sin(2 * math.pi * 5 * T * i) + (300.0 if i >= 100 else 0.0)
        gaps.append(asked - shaper.shape(asked, -600, 600, T))
    assert max(abs(gap) for gap in gaps[:100]) < 1e-6
    assert gaps[100] == pytest.approx(300 - RATE * T, abs=2)
    assert abs(gaps[100 + round(300 / (RATE * T)) + 8]) < 1.0


def internal_parts(shaper: Shaper) -> float:
    return abs(shaper._jump) + abs(shaper._cut) + abs(shaper._blend)


uneven = st.lists(st.floats(0.2e-3, 30e-3), min_size=20, max_size=200)


@settings(deadline=None)
@given(uneven, st.floats(0.2, 20.0), st.floats(0.1, 0.99), st.booleans())
def test_a_smooth_setpoint_is_followed_whatever_the_times(times, frequency, share, saw):
    """Sines and ramps no steeper than the rate pass unchanged."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    amplitude = min(350.0, share * RATE / (2 * math.pi * frequency))
    now, last = 0.0, 0.0
    shaper.shape(0.0, -600, 600, T)
    for dt in times:
        now += dt
        phase = 2 * math.pi * frequency * now
        asked = amplitude * (math.asin(math.sin(phase)) if saw else math.sin(phase))
        shaped = shaper.shape(asked, -600, 600, dt)
        assert shaped == pytest.approx(asked, abs=1e-6)
        assert internal_parts(shaper) < 1e-6
        assert abs(shaped - last) <= RATE * dt + 1e-9
        last = shaped


@settings(deadline=None)
@given(uneven, st.data())
def test_the_rate_holds_and_all_comes_whatever_the_times(times, data):
    """The rate holds for any setpoint at any times; a constant setpoint is reached."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    last = asked = 0.0
    for dt in times:
        asked += data.draw(st.floats(-5 * RATE * dt, 5 * RATE * dt))
        asked = max(-500.0, min(500.0, asked))
        shaped = shaper.shape(asked, -600, 600, dt)
        assert abs(shaped - last) <= RATE * dt + 1e-9
        last = shaped
    for _ in range(3000):
        last = shaper.shape(asked, -600, 600, T)
    assert last == pytest.approx(asked, abs=0.5)
    assert internal_parts(shaper) < 1.0


def test_one_long_cycle_changes_nothing():
    """One cycle of 3 ms in a wave well within the rate; limits by slope per cycle would drift off."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    shaper.shape(0.0, -600, 600, T)
    now = 0.0
    for i in range(400):
        dt = 3 * T if i == 100 else T
        now += dt
        asked = 100 * math.sin(2 * math.pi * 5 * now)
        assert shaper.shape(asked, -600, 600, dt) == pytest.approx(asked, abs=1e-6)


def test_a_steep_rise_that_ends_at_once_does_not_run_on():
    """The setpoint rises at three times the rate, reached smoothly, and then stays: no overrun."""
    shaper = Shaper(PROFILE)
    shaper.start(0.0)
    asked = 0.0
    for i in range(30):
        asked += RATE * T * 0.1 * i
        shaper.shape(asked, -5000, 5000, T)
    course = [shaper.shape(asked, -5000, 5000, T) for _ in range(2000)]
    assert max(course) <= asked + 1.0
    assert course[-1] == pytest.approx(asked, abs=1.0)
