"""Position against the drive's own velocity: slip trips, lateness and a missing velocity do not."""

from __future__ import annotations

import math

import pytest

from drivers.base import PowerRequest, Telemetry
from drivers.simulated import Lateness
from hil.bench import CycleTiming
from hil.bench.lockstep import LockstepBench
from hil.core import Limit, State
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOn, VirtualSpring
from hil.profile.following import position_following
from hil.profile.loader import load_profile
from hil.supervision.position_following import PositionFollowing

PROFILE = load_profile("footplate_trainer")
PROFILES = ("footplate_trainer", "bench_slide")
PER_M = PROFILE.actuator.radians_per_metre


def powered(name: str, mass_kg: float = 0.0, lateness: Lateness | None = None) -> LockstepBench:
    bench = LockstepBench(load_profile(name), 1, lateness)
    bench.environment.hang(mass_kg)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.4)
    return bench


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("share", [0.3, 0.6])
def test_an_encoder_that_loses_counts_stops_the_bench(name, share):
    bench = powered(name)
    stroke = bench.profile.actuator.stroke
    move = HoldPosition(position_m=0.8 * stroke, speed_m_s=0.06)
    assert bench.request(Apply(behaviour=move, load_may_move=True)).accepted
    bench.run(0.4)
    bench.environment.reset_peaks()
    bench.environment.disturb("encoder_slipping", share)
    bench.run(0.2)
    cause = bench.bench.cause
    assert cause == Limit.POSITION_FOLLOWING, bench.bench.cause_text
    assert bench.bench.command.power == PowerRequest.OFF
    assert bench.environment.state()["peak_speed_m_s"] < bench.profile.limits.speed.tripped


@pytest.mark.parametrize("name", PROFILES)
def test_late_and_stale_cycles_are_no_slip(name):
    bench = powered(name, 2.0, Lateness(0.05, 0.004, device_share=0.2))
    stroke = bench.profile.actuator.stroke
    most = 0.0
    for behaviour in (
        HoldPosition(position_m=0.6 * stroke, speed_m_s=0.1),
        VirtualSpring(stiffness_N_m=20000, rest_m=0.3 * stroke),
        ConstantForce(force_N=0.2 * bench.profile.limits.force.limited),
    ):
        assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
        bench.environment.push(20.0, 3.0, 0.6)
        for _ in range(600):
            bench.step()
            most = max(most, abs(bench.bench.supervisor._position.error_m))
        assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert most < position_following(bench.profile).acts_from


def followed(velocity: float, moved: float, times: list[float], error_s: float = 0.0) -> int:
    """Return the cause after samples at ``times``; the shaft really moves at ``moved`` rad/s."""
    watch = PositionFollowing(PROFILE)
    cause = 0
    for at in times:
        telemetry = Telemetry(
            time_s=at, time_error_s=error_s, position_rad=moved * at, velocity_rad_s=velocity
        )
        cause = cause or watch.look(telemetry) or watch.look(telemetry)
    return cause


def test_only_the_times_of_samples_count():
    even = [0.001 * n for n in range(400)]
    gaps = [t for n, t in enumerate(even) if n % 7 < 3]
    speed = 0.1 * PER_M
    for times in (even, gaps):
        assert followed(speed, speed, times) == 0
        assert followed(speed, 0.0, times) == Limit.POSITION_FOLLOWING
        assert followed(0.0, speed, times) == Limit.POSITION_FOLLOWING
        assert followed(-speed, speed, times) == Limit.POSITION_FOLLOWING


def test_a_drive_without_a_velocity_is_not_watched():
    assert followed(math.nan, 100.0, [0.001 * n for n in range(400)]) == 0


def test_what_the_time_may_be_off_explains_the_difference():
    times = [0.001 * n for n in range(100)]
    speed = 0.1 * PER_M
    assert followed(0.5 * speed, speed, times) == Limit.POSITION_FOLLOWING
    assert followed(0.5 * speed, speed, times, error_s=0.001) == 0


def test_an_error_that_is_forgotten_does_not_trip():
    limit = position_following(PROFILE)
    speed = 0.5 * limit.acts_from / limit.window * PER_M
    assert followed(0.0, speed, [0.001 * n for n in range(3000)]) == 0


def test_a_drive_whose_velocity_comes_from_the_same_encoder_shows_nothing():
    assert followed(0.0, 0.0, [0.001 * n for n in range(400)]) == 0


def test_the_difference_has_a_column_and_one_that_acts_is_reported_as_limited():
    bench = powered("footplate_trainer")
    move = HoldPosition(position_m=0.8 * bench.profile.actuator.stroke, speed_m_s=0.06)
    assert bench.request(Apply(behaviour=move, load_may_move=True)).accepted
    bench.run(0.4)
    bench.environment.disturb("encoder_slipping", 0.3)
    limit = position_following(bench.profile)
    rows = [row for row in bench.run(0.2) if row.state == State.RUNNING]
    errors = [abs(row.position_following_m) for row in rows]
    assert errors[0] < 0.1 * limit.acts_from and errors[-1] > limit.acts_from
    acting = [bool(row.limited >> Limit.POSITION_FOLLOWING & 1) for row in rows]
    assert acting == [error > limit.acts_from for error in errors]


def test_a_drive_without_a_velocity_has_none_in_its_column():
    bench = LockstepBench(PROFILE)
    telemetry = bench.drive.read(0.0)
    telemetry.velocity_rad_s = math.nan
    row = bench.bench.advance(telemetry, bench.period_s, CycleTiming(0.0))
    assert math.isnan(row.position_following_m)
    telemetry.velocity_rad_s = 0.0
    row = bench.bench.advance(telemetry, bench.period_s, CycleTiming(0.001))
    assert row.position_following_m == 0.0
