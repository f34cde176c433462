"""The limited tier alone: caps are always valid and brake in the right direction."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.control.estimation import Estimator
from hil.control.rig_model import moved_mass
from hil.core.limits import Limit
from hil.profile.loader import load_profile
from hil.profile.schema import Lever, Profile
from hil.supervision.bounds import Bounds
from hil.supervision.force_caps import allowed_speed
from hil.supervision.limit_notices import LimitNotices

PERIOD = 0.001
PROFILE = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")
MIDDLE = 0.0275


class Held:
    """Bounds that have observed a load at rest for half a second."""

    def __init__(self, profile: Profile = PROFILE, load_N: float = 38.0) -> None:
        self.bounds = Bounds(profile)
        self.estimator = Estimator(PROFILE, PERIOD)
        self.estimator.reset((profile.limits.travel.lower + profile.limits.travel.upper) / 2, 0.0)
        self.estimator.step_s = PERIOD
        self.load = load_N
        for _ in range(500):
            self.bounds.update(self.estimator, load_N, True)

    def at(
        self,
        position: float | None = None,
        velocity: float = 0.0,
        nut_velocity: float | None = None,
        heat: float = 0.0,
        temperature: float = 20.0,
        current: float = 0.0,
    ) -> Bounds:
        estimator = self.estimator
        if position is not None:
            estimator.output_position_m = position
        estimator.output_velocity_m_s = velocity
        estimator.nut_velocity_m_s = velocity if nut_velocity is None else nut_velocity
        self.bounds.compute(estimator, self.load, heat, temperature, current)
        return self.bounds

    def pulled(self, velocity: float, force_N: float, position: float) -> Bounds:
        """Return the bounds while the springs pull the load with this force."""
        self.estimator.output_position_m = position
        self.estimator.output_velocity_m_s = self.estimator.nut_velocity_m_s = velocity
        self.bounds.compute(self.estimator, force_N, 0.0, 20.0, 0.0)
        return self.bounds


anything = st.one_of(st.floats(), st.floats(-1, 1))


@settings(max_examples=150, deadline=None)
@given(
    profile=st.sampled_from([PROFILE, SLIDE]),
    cycles=st.lists(
        st.tuples(anything, anything, anything, st.one_of(st.floats(), st.floats(-700, 700))),
        max_size=20,
    ),
    energised=st.booleans(),
    heat=st.floats(0, 10),
    temperature=st.floats(),
)
def test_caps_are_numbers_in_order_within_the_flat_ones(
    profile: Profile,
    cycles: list[tuple[float, float, float, float]],
    energised: bool,
    heat: float,
    temperature: float,
) -> None:
    bounds = Bounds(profile)
    estimator = Estimator(PROFILE, PERIOD)
    estimator.step_s = PERIOD
    most_torque = profile.limits.current.limited * profile.actuator.motor.torque_constant
    for position, velocity, nut_velocity, force in cycles:
        estimator.output_position_m = position
        estimator.output_velocity_m_s = velocity
        estimator.nut_velocity_m_s = nut_velocity
        bounds.update(estimator, force, energised)
        bounds.compute(estimator, force, heat, temperature, 5.0)
        assert bounds.flat.low_N <= bounds.force_low_N <= bounds.force_high_N
        assert bounds.force_high_N <= bounds.flat.high_N
        assert 0 < bounds.torque_limit_N_m <= most_torque + 1e-12
        bounds.note_shaped(bounds.force_low_N)
        assert bounds.limited >> bounds.low_limit & 1


@settings(max_examples=60, deadline=None)
@given(load=st.floats(0, 500), position=st.floats(0.003, 0.052), velocity=st.floats(-0.25, 0.25))
def test_a_cap_never_takes_away_what_carries_the_load(
    load: float, position: float, velocity: float
) -> None:
    # Moving down or at rest, the upper cap permits at least the load; mirrored for the lower cap.
    held = Held(load_N=load)
    bounds = held.at(position, velocity)
    if velocity <= 0:
        assert bounds.force_high_N >= load - 1e-6
    if velocity >= 0:
        assert bounds.force_low_N <= load + 1e-6


@settings(max_examples=60, deadline=None)
@given(
    load=st.floats(0, 500),
    position=st.floats(0.0, 0.055),
    velocity=st.floats(-0.3, 0.3),
    nearer=st.floats(0, 0.01),
)
def test_caps_tighten_towards_an_end(
    load: float, position: float, velocity: float, nearer: float
) -> None:
    held = Held(load_N=load)
    near_top = held.at(position + nearer, velocity).force_high_N
    assert near_top <= held.at(position, velocity).force_high_N + 1e-6
    near_bottom = held.at(position - nearer, velocity).force_low_N
    assert near_bottom >= held.at(position, velocity).force_low_N - 1e-6


@settings(max_examples=60, deadline=None)
@given(velocity=st.floats(-0.5, 0.5), faster=st.floats(0, 0.3))
def test_caps_tighten_with_speed(velocity: float, faster: float) -> None:
    held = Held()
    quick = held.at(MIDDLE, velocity + faster).force_high_N
    assert quick <= held.at(MIDDLE, velocity).force_high_N + 1e-6
    quick = held.at(MIDDLE, velocity - faster).force_low_N
    assert quick >= held.at(MIDDLE, velocity).force_low_N - 1e-6


def test_in_mid_stroke_at_rest_only_the_flat_limits_cap() -> None:
    bounds = Held().at()
    assert (bounds.force_low_N, bounds.force_high_N) == (-580.0, 580.0)
    assert (bounds.low_limit, bounds.high_limit) == (Limit.FORCE, Limit.FORCE)
    bounds.note_shaped(579.9)
    assert bounds.limited == 0
    bounds.note_shaped(580.0)
    assert bounds.limited == 1 << Limit.FORCE


def test_deflection_caps_force_through_the_calibration(change: Callable[..., Any]) -> None:
    short = change(PROFILE, limits__deflection__limited=0.004)
    bounds = Held(short).at()
    assert bounds.force_high_N == pytest.approx(360.0 + 60.0)  # 3 mm at 120, 1 mm at 60 N/mm
    assert bounds.force_low_N == pytest.approx(-420.0)
    assert bounds.high_limit == bounds.low_limit == Limit.DEFLECTION


def test_overspeed_brakes_against_the_motion() -> None:
    held = Held()
    up = held.at(MIDDLE, 0.0, nut_velocity=0.27)
    assert up.high_limit == Limit.SPEED and up.force_high_N < held.load
    down = held.at(MIDDLE, 0.0, nut_velocity=-0.27)
    assert down.low_limit == Limit.SPEED and down.force_low_N > held.load


def test_what_springs_pull_back_while_it_moves_away_from_an_end_is_no_falling_weight() -> None:
    # 19 kg, pulled down by springs with 340 N, 17 mm above the lower soft end: unchanged, they
    # would move towards it at 0.3 m/s within 20 ms.
    held = Held(load_N=40.0)
    assert held.pulled(0.1, -340.0, 0.019).force_low_N < 200.0
    # A load already falling is braked at once, as the heaviest weight would be.
    assert held.pulled(-0.1, -340.0, 0.019).force_low_N == held.bounds.flat.high_N


def test_ends_brake_against_the_motion_and_hold_the_weight() -> None:
    held = Held(load_N=200.0)
    sinking = held.at(0.006, -0.1)
    assert sinking.low_limit == Limit.TRAVEL and sinking.force_low_N > 200.0
    resting = held.at(0.002, 0.0)
    assert resting.force_low_N == pytest.approx(200.0, abs=1.0)
    assert resting.force_high_N == 580.0  # upward, away from the end, is free
    rising = held.at(0.050, 0.1)
    assert rising.high_limit == Limit.TRAVEL and rising.force_high_N < 200.0


def test_outside_a_soft_end_the_place_itself_is_the_end_until_left() -> None:
    bounds = Bounds(PROFILE)
    estimator = Estimator(PROFILE, PERIOD)
    estimator.reset(0.0, 0.0)
    estimator.step_s = PERIOD
    bounds.update(estimator, 0.0, False)
    assert bounds.travel.low_end_m == 0.0
    for step in range(40):
        estimator.output_position_m = 1e-4 * step
        bounds.update(estimator, 0.0, True)
    assert bounds.travel.low_end_m == 0.002
    estimator.output_position_m = 0.001
    bounds.update(estimator, 0.0, True)
    assert bounds.travel.low_end_m == 0.002


class TestAllowedSpeed:
    @given(st.floats(0, 0.1), st.floats(0.03, 5))
    def test_stops_within_the_distance(self, distance: float, braking: float) -> None:
        # Uniform deceleration: v² = 2·a·d; the computed speed stays below it.
        speed = allowed_speed(distance, braking)
        assert 0 <= speed <= math.sqrt(2 * braking * distance) + 1e-12

    @given(st.floats(-0.1, 0.1), st.floats(0, 0.01), st.floats(0.03, 5))
    def test_rises_with_distance_without_a_step(
        self, distance: float, more: float, braking: float
    ) -> None:
        near, far = allowed_speed(distance, braking), allowed_speed(distance + more, braking)
        assert near <= far <= near + 10.0 * more + 1e-9

    def test_beyond_an_end_it_leads_slowly_back(self) -> None:
        assert allowed_speed(-0.0005, 2.0) == pytest.approx(-0.005)
        assert allowed_speed(-1.0, 2.0) == -0.01


class TestCurrent:
    motor = PROFILE.actuator.motor

    def amperes(self, **how: float) -> float:
        return Held().at(**how).torque_limit_N_m / self.motor.torque_constant

    def test_cool_is_the_bound(self) -> None:
        assert self.amperes() == pytest.approx(22.0)

    def test_heat_leads_back_to_what_can_last(self) -> None:
        last = self.amperes(heat=0.9)
        assert last == pytest.approx(math.sqrt(0.9) * self.motor.continuous_current)
        assert self.amperes(heat=5.0) == pytest.approx(last)
        # I²t of that current settles at the bound, below the trip.
        assert (last / self.motor.continuous_current) ** 2 == pytest.approx(0.9)

    @settings(max_examples=40, deadline=None)
    @given(st.floats(0, 3), st.floats(0, 1))
    def test_hotter_never_permits_more(self, heat: float, more: float) -> None:
        assert self.amperes(heat=heat + more) <= self.amperes(heat=heat) + 1e-9

    @settings(max_examples=40, deadline=None)
    @given(st.floats(-20, 120), st.floats(0, 50))
    def test_a_hotter_drive_never_permits_more(self, temperature: float, more: float) -> None:
        cool = self.amperes(temperature=temperature)
        assert self.amperes(temperature=temperature + more) <= cool + 1e-9
        assert cool >= self.motor.continuous_current - 1e-9

    def test_unreported_temperature_changes_nothing(self) -> None:
        assert self.amperes(temperature=math.nan) == pytest.approx(22.0)

    def test_the_bit_is_set_when_the_current_stands_there(self) -> None:
        held = Held()
        assert held.at(heat=0.85, current=5.0).limited == 0
        assert held.at(heat=0.9, current=13.2).limited == 1 << Limit.MOTOR_HEAT
        assert held.at(temperature=85.0, current=14.0).limited == 1 << Limit.DRIVE_TEMPERATURE


class TestLoad:
    def test_a_weight_is_learned_and_kept_through_free_fall(self) -> None:
        # 5 kg on 420/60 mm: at the rod 5·9.80665·7 N and 5·49 kg.
        hung = 5 * 9.80665 * 7
        own = moved_mass(PROFILE)[1]
        held = Held(load_N=own + hung)
        assert held.bounds.load.hung_load_N == pytest.approx(hung, rel=0.01)
        velocity = 0.0
        for _ in range(150):
            velocity -= 9.80665 / 7 * PERIOD  # the motion of a free weight at the rod
            held.estimator.output_velocity_m_s = velocity
            held.bounds.update(held.estimator, 0.0, True)
        assert held.bounds.load.hung_load_N == pytest.approx(hung, rel=0.15)

    def test_mass_at_the_rod_against_the_simulated_rig(self) -> None:
        # The simulated rig is built from the same profile by other code (hil.profile.devices).
        from drivers.simulated.physics import RigPhysics
        from hil.profile.devices import rig_parameters

        physics = RigPhysics(rig_parameters(PROFILE))
        mass, load, per_load = moved_mass(PROFILE)
        assert load == pytest.approx(physics.load_N(MIDDLE), rel=0.01)
        physics.hang(5.0)
        hung = physics.load_N(MIDDLE) - load
        assert per_load * hung == pytest.approx(5 * 49, rel=0.01)
        assert isinstance(PROFILE.rig, Lever)
        rig = PROFILE.rig
        beam = rig.lever_mass * (2 * rig.lever_centre) ** 2 / 3
        assert mass == pytest.approx((beam + 0.2 * 0.42**2) / 0.06**2)

    def test_slide(self) -> None:
        mass, load, per_load = moved_mass(SLIDE)
        assert (mass, load) == (6.0, pytest.approx(6 * SLIDE.rig.gravity))
        assert per_load * 10 * SLIDE.rig.gravity == pytest.approx(10.0)


class TestTorqueCaps:
    """Caps by current, by supply against back-EMF, and by nut speed, each one-sided."""

    motor = PROFILE.actuator.motor
    per_m = PROFILE.actuator.radians_per_metre
    speed = PROFILE.limits.speed.limited

    def at(self, velocity: float, supply_V: float) -> Bounds:
        held = Held()
        held.estimator.nut_velocity_m_s = velocity
        held.bounds.compute(held.estimator, held.load, 0.0, 20.0, 0.0, supply_V)
        return held.bounds

    def test_ample_supply_leaves_the_current_limit(self) -> None:
        for supply_V in (36.0, math.nan, -math.nan):
            bounds = self.at(0.0, supply_V)
            assert bounds.torque_high_N_m == bounds.torque_limit_N_m
            assert bounds.torque_low_N_m == -bounds.torque_limit_N_m
            assert bounds.high_torque_limit == bounds.low_torque_limit == Limit.CURRENT

    def test_stall_and_no_load_line_of_a_weak_supply(self) -> None:
        """T = kt·(V − kt·ω)/R: stall torque kt·V/R at rest, less with speed, more against the motion."""
        kt, resistance = self.motor.torque_constant, self.motor.winding_resistance
        volts = 0.95 * 2.5
        assert self.at(0.0, 2.5).torque_high_N_m == pytest.approx(kt * volts / resistance)
        emf = kt * 0.02 * self.per_m
        bounds = self.at(0.02, 2.5)
        assert bounds.torque_high_N_m == pytest.approx(kt * (volts - emf) / resistance)
        assert bounds.high_torque_limit == Limit.SUPPLY_LOW
        # While braking, the back-EMF adds to the supply.
        assert bounds.torque_low_N_m == -bounds.torque_limit_N_m
        assert self.at(-0.02, 2.5).torque_low_N_m == pytest.approx(-bounds.torque_high_N_m)

    def test_nut_is_held_to_its_speed_and_braked_beyond_it(self) -> None:
        balanced = 38.0 / self.per_m
        drag = PROFILE.actuator.friction.viscous * self.speed * self.per_m
        at_limit = self.at(self.speed, 36.0)
        assert at_limit.torque_high_N_m == pytest.approx(balanced + drag)
        assert at_limit.high_torque_limit == Limit.SPEED
        assert self.at(1.2 * self.speed, 36.0).torque_high_N_m < balanced
        assert self.at(-1.2 * self.speed, 36.0).torque_low_N_m > balanced

    @settings(max_examples=150, deadline=None)
    @given(velocity=anything, supply_V=anything)
    def test_always_an_interval_within_the_current_limit(
        self, velocity: float, supply_V: float
    ) -> None:
        bounds = self.at(velocity, supply_V)
        limit = bounds.torque_limit_N_m
        assert -limit <= bounds.torque_low_N_m <= bounds.torque_high_N_m <= limit

    def test_reported_by_the_limit_whose_cap_cut(self) -> None:
        bounds = self.at(0.0, 2.5)
        for torque, limit in ((bounds.torque_high_N_m, Limit.SUPPLY_LOW), (0.1, Limit.CURRENT)):
            bounds.limited = 0
            bounds.note_torque(torque)
            assert bounds.limited == 1 << limit


def test_a_bound_that_flickers_is_reported_once() -> None:
    notices = LimitNotices()
    told = [notices.new(mask, PERIOD) for mask in (0, 6, 2, 0, 6, 4) * 100]
    assert told[1] == 6 and sum(told) == 6
    assert notices.new(8, PERIOD) == 8  # a different limit is reported at once
    assert sum(notices.new(2, PERIOD) for _ in range(1100)) == 0
    # Limits 4 and 8 were inactive for a second and are reported again; limit 2 was not.
    assert notices.new(14, PERIOD) == 12
