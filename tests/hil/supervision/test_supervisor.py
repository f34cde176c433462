"""The tripped tier alone: limits of the rig, reasons to refuse power, and arbitrary input."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import PowerStage, Telemetry
from hil.core.limit_texts import WORDING, fix, label, sentence
from hil.core.limits import Cause, Limit
from tests.hil.supervision.watched import KT, LIMITS, PROFILE, Watched, put

SIMPLE = [
    (Limit.FORCE, "force", 615.5, 614.5),
    (Limit.FORCE, "force", -615.5, -614.5),
    (Limit.DEFLECTION, "estimator.deflection_m", 0.00741, 0.00739),
    (Limit.DEFLECTION, "estimator.deflection_m", -0.00741, -0.00739),
    (Limit.TRAVEL, "estimator.output_position_m", 0.0546, 0.0544),
    (Limit.TRAVEL, "estimator.output_position_m", 0.0004, 0.0006),
    (Limit.SPEED, "estimator.nut_velocity_m_s", 0.321, 0.319),
    (Limit.SPEED, "estimator.nut_velocity_m_s", -0.321, -0.319),
    (Limit.CURRENT, "telemetry.torque_N_m", 30.1 * KT, 29.9 * KT),
    (Limit.CURRENT, "telemetry.torque_N_m", -30.1 * KT, -29.9 * KT),
    (Limit.DRIVE_TEMPERATURE, "telemetry.temperature_degC", 85.1, 84.9),
    (Limit.TELEMETRY_AGE, "telemetry.age_s", 1.01 * LIMITS.telemetry_age, 0.0),
    (Limit.TELEMETRY_AGE, "telemetry.deflection_age_s", 1.01 * LIMITS.telemetry_age, 0.0),
]


@pytest.mark.parametrize(("limit", "name", "beyond", "inside"), SIMPLE)
def test_trips_beyond_and_not_inside(
    watched: Watched, limit: Limit, name: str, beyond: float, inside: float
) -> None:
    put(watched, name, inside)
    assert watched.cycles(3) == 0
    put(watched, name, beyond)
    assert watched.cycle() == limit
    assert any(digit.isdigit() for digit in watched.supervisor.detail)


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("force", Limit.FORCE),
        ("estimator.deflection_m", Limit.DEFLECTION),
        ("estimator.output_position_m", Limit.TRAVEL),
        ("estimator.nut_velocity_m_s", Limit.SPEED),
        ("telemetry.torque_N_m", Limit.CURRENT),
        ("telemetry.age_s", Limit.TELEMETRY_AGE),
        ("telemetry.deflection_age_s", Limit.TELEMETRY_AGE),
        ("telemetry.deflection_counts", Limit.SENSOR_JUMP),
    ],
)
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_trips(watched: Watched, name: str, limit: Limit, value: float) -> None:
    if name.endswith("age_s"):
        value = abs(value)
    put(watched, name, value)
    assert watched.cycle() == limit
    assert math.isfinite(watched.supervisor.motor_heat)


def test_temperature_that_is_not_reported_is_no_cause(watched: Watched) -> None:
    watched.telemetry.temperature_degC = math.nan
    assert watched.cycles(10) == 0


def test_a_limit_left_out_never_trips(change: Callable[..., Any]) -> None:
    free = change(PROFILE, limits__current__tripped=None, limits__force_rate__tripped=None)
    watched = Watched(free)
    assert watched.cycles(5) == 0
    watched.telemetry.torque_N_m = 100.0 * KT
    watched.force = 500.0
    assert watched.cycle() == 0


class TestTravel:
    def test_standing_outside_and_moving_in_is_permitted(self) -> None:
        watched = Watched()
        watched.estimator.reset(0.0, 0.0)
        assert watched.cycles(5, energised=False) == 0
        assert watched.cycles(5) == 0
        for step in range(30):
            watched.estimator.output_position_m = 1e-4 * step
            assert watched.cycle() == 0

    def test_going_back_out_again_trips(self) -> None:
        watched = Watched()
        watched.estimator.reset(-0.001, 0.0)
        watched.cycles(2, energised=False)
        watched.estimator.output_position_m = 0.0003
        assert watched.cycle() == 0
        watched.estimator.output_position_m = -0.0004
        assert watched.cycle() == Limit.TRAVEL
        assert "lower soft end at 2.0 mm" in watched.supervisor.detail

    def test_once_inside_the_line_is_the_profiles(self, watched: Watched) -> None:
        watched.estimator.output_position_m = 0.00045
        assert watched.cycle() == Limit.TRAVEL


class TestForceRate:
    def rate_of(self, change: Callable[..., Any], per_cycle: float, cycles: int) -> int:
        limited = change(PROFILE, limits__force_rate__tripped=10000.0, limits__force__tripped=1e9)
        watched = Watched(limited)
        watched.cycles(5)
        for _ in range(cycles):
            watched.force += per_cycle
            cause = watched.cycle()
            if cause:
                return cause
        return 0

    def test_a_lasting_rate_trips(self, change: Callable[..., Any]) -> None:
        assert self.rate_of(change, 10.5, 60) == Limit.FORCE_RATE
        assert self.rate_of(change, -10.5, 60) == Limit.FORCE_RATE
        assert self.rate_of(change, 9.5, 60) == 0

    def test_sensor_noise_is_no_rate(self, change: Callable[..., Any]) -> None:
        # Two counts back and forth each cycle: 120 N/mm times 3.66 um times 4 in one millisecond.
        limited = change(PROFILE, limits__force_rate__tripped=1000.0)
        watched = Watched(limited)
        for step in range(200):
            watched.force = 0.88 if step % 2 else -0.88
            assert watched.cycle() == 0


class TestHeat:
    def test_follows_the_law_of_two_bodies(self, watched: Watched) -> None:
        # Rise of winding over housing and rise of housing each follow τ·h' = (I/Ic)² − h; the nut
        # stands, so that one phase takes twice the mean loss.
        motor = PROFILE.actuator.motor
        watched.telemetry.torque_N_m = 0.8 * motor.continuous_current * KT
        for _ in range(5000):
            watched.cycle()
        share = motor.housing_share
        expected = 0.64 * (
            2 * (1 - share) * -math.expm1(-5.0 / motor.thermal_time_constant)
            + share * -math.expm1(-5.0 / motor.housing_time_constant)
        )
        assert watched.supervisor.motor_heat == pytest.approx(expected, rel=1e-3)

    def test_trips_outlives_reset_decays_and_refuses(self, change: Callable[..., Any]) -> None:
        quick = change(PROFILE, actuator__motor__thermal_time_constant=0.5)
        watched = Watched(quick)
        watched.telemetry.torque_N_m = 1.5 * quick.actuator.motor.continuous_current * KT
        assert watched.cycles(2000) == Limit.MOTOR_HEAT
        watched.supervisor.reset()
        watched.telemetry.torque_N_m = 0.0
        assert watched.supervisor.motor_heat >= 1.0
        watched.cycle(energised=False)
        assert "thermal capacity" in (watched.refusal() or "")
        assert watched.cycles(3000, energised=False) == 0
        assert watched.supervisor.motor_heat < 0.05
        assert watched.refusal() is None


class TestSupply:
    @pytest.mark.parametrize(
        ("volts", "limit"), [(30.0, Limit.SUPPLY_LOW), (44.0, Limit.SUPPLY_HIGH)]
    )
    def test_a_dip_passes_and_a_lasting_one_trips(
        self, watched: Watched, volts: float, limit: Limit
    ) -> None:
        watched.telemetry.supply_V = volts
        assert watched.cycles(3) == 0  # the filter has 20 ms
        watched.telemetry.supply_V = 36.0
        assert watched.cycles(200) == 0
        watched.telemetry.supply_V = volts
        assert watched.cycles(200) == limit

    def test_not_reported_is_no_cause(self) -> None:
        watched = Watched()
        watched.telemetry.supply_V = math.nan
        assert watched.cycles(100) == 0

    def test_the_first_value_counts_at_once(self) -> None:
        watched = Watched()
        watched.telemetry.supply_V = 20.0
        assert watched.cycle() == Limit.SUPPLY_LOW


class TestRefusal:
    @pytest.mark.parametrize(
        ("name", "value", "says"),
        [
            ("force", 590.0, "590 N, beyond 580 N"),
            ("force", math.nan, "nan N"),
            ("estimator.deflection_m", 0.0072, "7.20 mm, beyond 7.00 mm"),
            ("estimator.output_position_m", -0.01, "-10.0 mm, outside the stroke"),
            ("estimator.nut_velocity_m_s", 0.3, "300 mm/s"),
            ("telemetry.age_s", 0.1, "100.00 ms old"),
            ("telemetry.power", PowerStage.FAULT, "fault"),
            ("telemetry.lost", "gone", "gone"),
        ],
    )
    def test_reason_with_numbers(
        self, watched: Watched, name: str, value: object, says: str
    ) -> None:
        watched.telemetry.power = PowerStage.OFF
        watched.cycles(3, energised=False)
        assert watched.refusal() is None
        put(watched, name, value)
        watched.cycle(energised=False)
        assert says in (watched.refusal() or "")

    def test_never_heard(self) -> None:
        watched = Watched()
        watched.telemetry = Telemetry()
        watched.cycle(energised=False)
        assert "has never arrived" in (watched.refusal() or "")


@settings(max_examples=120, deadline=None)
@given(
    values=st.lists(
        st.tuples(
            st.sampled_from(
                [
                    "force",
                    "estimator.deflection_m",
                    "estimator.output_position_m",
                    "estimator.nut_velocity_m_s",
                    "telemetry.torque_N_m",
                    "telemetry.supply_V",
                    "telemetry.temperature_degC",
                    "telemetry.deflection_counts",
                    "telemetry.age_s",
                    "estimator.motor_force_N",
                ]
            ),
            st.floats(),
        ),
        max_size=12,
    ),
    energised=st.booleans(),
)
def test_any_input_gives_a_cause_with_words_or_none(
    values: list[tuple[str, float]], energised: bool
) -> None:
    watched = Watched()
    watched.cycle()
    for name, value in values:
        put(watched, name, value)
        cause = watched.cycle(energised=energised, alive=False)
        assert (cause != 0) == (watched.supervisor.detail != "")
        assert cause == 0 or cause in {*Limit, *Cause}
        assert watched.supervisor.motor_heat >= 0.0
        watched.refusal()


@settings(max_examples=100, deadline=None)
@given(force=st.floats(-2000, 2000), more=st.floats(0, 500))
def test_what_trips_at_a_force_trips_at_a_greater_one(force: float, more: float) -> None:
    def trips(newton: float) -> bool:
        watched = Watched()
        watched.force = newton
        return watched.cycle() == Limit.FORCE

    greater = math.copysign(abs(force) + more, force)
    assert trips(greater) >= trips(force)
    assert not trips(force) or abs(force) > LIMITS.force.limited


def test_every_limit_and_cause_has_words() -> None:
    codes = {*map(int, Limit), *map(int, Cause)}
    assert set(map(int, WORDING)) == codes
    for code in codes:
        assert 3 <= len(label(code)) <= 20
        assert sentence(code).endswith(".") and fix(code).endswith(".")
    assert len({label(code) for code in codes}) == len(codes)
    assert (label(0), sentence(0), fix(0)) == ("", "", "")
    assert "99" in label(99) and "99" in sentence(99) and fix(99) == ""
