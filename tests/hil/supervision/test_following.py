"""Following limits of the force trip when the loop shakes or the shaper runs away, and only then."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Command
from hil.bench.lockstep import LockstepBench
from hil.control.shaping import Shaper
from hil.core.limits import ALWAYS_CATEGORY_0, Limit
from hil.core.requests import Apply, Float, HoldPosition, PowerOn, VirtualSpring, Waveform
from hil.core.samples import INDEX, State
from hil.profile.following import force_following, output_energy, ramp_lag, setpoint_following
from hil.profile.limit_checks import limit_inconsistencies
from hil.profile.limit_schema import EnergyLimit, FollowingLimit
from hil.profile.loader import load_profile
from hil.profile.schema import Profile
from hil.supervision.energy import OutputEnergy
from hil.supervision.following import ForceFollowing, SetpointFollowing
from tests.hil.supervision.between import put_between
from tests.hil.supervision.listening_rig import MIDDLE, Rig

PERIOD = 0.001
PROFILE = load_profile("footplate_trainer")


def delayed(rig: Rig, cycles: int) -> None:
    """Delay each torque to the drive by this number of cycles."""
    write, waiting = rig.bench.drive.write, deque([0.0] * cycles)

    def late(command: Command) -> None:
        waiting.append(command.torque_N_m)
        kept, command.torque_N_m = command.torque_N_m, waiting.popleft()
        write(command)
        command.torque_N_m = kept

    put_between(rig.bench, late)


@pytest.mark.parametrize("blocked", [False, True])
def test_a_loop_that_shakes_by_delay_trips_with_and_without_a_stiff_wall(
    footplate: Profile, blocked: bool
) -> None:
    rig = Rig(footplate, 1.0, at_m=MIDDLE)
    delayed(rig, 5)
    rig.do.hold_output(blocked)
    rig.apply(VirtualSpring(rest_m=MIDDLE, stiffness_N_m=60e3, damping_N_s_m=50.0))
    rig.until_stopped()
    assert rig.bench.bench.cause == Limit.FORCE_FOLLOWING
    assert "no cap explains it" in rig.bench.bench.cause_text
    assert rig.limited >> Limit.FORCE_FOLLOWING & 1


class RunningAway(Shaper):
    """A faulty shaper that departs from the setpoint by 5 N per cycle."""

    away_N = 0.0

    def shape(
        self, setpoint_N: float, low_N: float, high_N: float, dt: float, quick: bool = True
    ) -> float:
        self.away_N -= 5.0
        shaped = super().shape(setpoint_N, low_N, high_N, dt, quick) + self.away_N
        return max(low_N, min(high_N, shaped))


@pytest.mark.of_the_source
def test_a_shaper_that_runs_away_trips_before_the_force_limit(footplate: Profile) -> None:
    rig = Rig(footplate, 2.5, at_m=MIDDLE)
    rig.apply(VirtualSpring(rest_m=MIDDLE, stiffness_N_m=20e3, damping_N_s_m=200.0))
    rig.run(0.5)
    rig.bench.bench.shaper = RunningAway(footplate)
    rig.bench.bench.shaper.start(rig.bench.bench._shaped)
    rig.until_stopped()
    assert rig.bench.bench.cause == Limit.SETPOINT_FOLLOWING
    assert "beyond what caps and rate limit explain" in rig.bench.bench.cause_text
    assert not rig.limited >> Limit.FORCE & 1


@pytest.mark.parametrize("push", [(30.0, 0.5), (60.0, 2.0), (40.0, 5.0)])
def test_a_passive_hand_trips_nothing(footplate: Profile, push: tuple[float, float]) -> None:
    rig = Rig(footplate, 1.0, at_m=MIDDLE)
    rig.apply(VirtualSpring(rest_m=MIDDLE, stiffness_N_m=20e3, damping_N_s_m=200.0))
    rig.do.push(*push)
    rig.run(1.5)
    rig.apply(Float(damping_N_s_m=100.0))
    rig.run(0.5)
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text


@pytest.mark.parametrize(
    ("mass", "stiffness", "damping", "push"),
    [
        (0.0, 100e3, 300.0, (40.0, 0.0, 0.0)),
        (1.0, 110e3, 0.0, (60.0, 2.0, 0.0)),
        (1.0, 110e3, 0.0, (80.0, 0.0, 0.05)),
    ],
)
def test_neither_a_blow_nor_a_strong_hand_is_unstable(
    mass: float, stiffness: float, damping: float, push: tuple[float, float, float]
) -> None:
    rig = Rig(PROFILE, mass, at_m=MIDDLE)
    rig.apply(VirtualSpring(rest_m=MIDDLE, stiffness_N_m=stiffness, damping_N_s_m=damping))
    rig.run(0.3)
    rig.do.push(*push)
    energy, most = rig.bench.bench.supervisor.following.energy, 0.0
    for _ in range(600):
        rig.bench.step()
        most = max(most, energy.energy_J)
    assert most > energy.limited_J  # large enough for the watch to act
    assert rig.state is State.RUNNING, rig.bench.bench.cause_text


@settings(max_examples=40, deadline=None)
@given(
    setpoints=st.lists(st.floats(-580, 580), min_size=1, max_size=6),
    late=st.lists(st.integers(1, 5), min_size=7, max_size=7),
)
def test_no_step_of_the_setpoint_is_a_following_error(
    setpoints: list[float], late: list[int]
) -> None:
    shaper, watch = Shaper(PROFILE), SetpointFollowing(PROFILE)
    for setpoint in setpoints:
        for i in range(150):
            dt = PERIOD * late[i % 7]
            shaped = shaper.shape(setpoint, -580.0, 580.0, dt)
            watch.follow(setpoint, shaped, abs(shaped) >= 580.0, dt)
            assert watch.error_N < watch.limited_N


def test_a_torque_at_its_cap_explains_a_lag_but_no_oscillation() -> None:
    watch = ForceFollowing(PROFILE)
    watch.follow(0.0, 0.0, 0, PERIOD)
    for _ in range(300):
        watch.follow(0.0, 500.0, 1, PERIOD)
    assert watch.error_N < 1.0
    for cycle in range(300):
        high = cycle // 20 % 2 == 0
        watch.follow(-300.0 if high else 300.0, 0.0, 1 if high else -1, PERIOD)
    assert watch.error_N > watch.tripped_N


@pytest.mark.parametrize(
    ("name", "amplitude_N", "hertz"),
    [
        ("rotary_joint", 95.0, 5.0),
        ("rotary_joint", 95.0, 7.0),
        ("footplate_trainer", 100.0, 7.0),
        ("footplate_velocity", 100.0, 7.0),
        ("footplate_position", 100.0, 7.0),
    ],
)
def test_the_loops_own_lag_behind_a_force_over_time_is_no_energy_of_a_limit_cycle(
    name: str, amplitude_N: float, hertz: float
) -> None:
    profile = load_profile(name)
    bench = LockstepBench(profile)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.2)
    middle = HoldPosition(position_m=0.5 * profile.actuator.stroke, speed_m_s=0.06)
    assert bench.request(Apply(behaviour=middle)).accepted
    bench.run(1.5)
    wave = Waveform(
        of="force",
        shape="sine",
        amplitude=amplitude_N,
        frequency_Hz=hertz,
        duration_s=1.5,
        offset=float(bench.last_row[INDEX["spring_force_N"]]),
    )
    assert bench.request(Apply(behaviour=wave, load_may_move=True)).accepted
    energy, most = bench.bench.supervisor.following.energy, 0.0
    for _ in range(1400):
        bench.step()
        most = max(most, energy.energy_J)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert most < 0.5 * energy.limited_J


def test_a_loop_that_shakes_by_delay_trips_under_a_force_over_time(footplate: Profile) -> None:
    rig = Rig(footplate, 1.0, at_m=MIDDLE)
    delayed(rig, 5)
    rig.apply(
        Waveform(
            of="force", shape="sine", offset=50.0, amplitude=60.0, frequency_Hz=5.0, duration_s=2.0
        )
    )
    rig.until_stopped()
    assert rig.bench.bench.cause in (Limit.FORCE_FOLLOWING, Limit.OUTPUT_ENERGY)


@settings(max_examples=30, deadline=None)
@given(lag_s=st.floats(0.01, 0.03), hertz=st.floats(1.0, 4.0), dt=st.sampled_from([0.001, 0.003]))
def test_a_spring_that_answers_late_puts_out_energy_and_a_prompt_one_does_not(
    lag_s: float, hertz: float, dt: float
) -> None:
    late, prompt = OutputEnergy(PROFILE), OutputEnergy(PROFILE)
    pulsation, stiffness, most = 2 * math.pi * hertz, 40e3, 0.012
    for i in range(round(1.0 / hertz / dt)):
        t = i * dt
        at, velocity = most * math.sin(pulsation * t), most * pulsation * math.cos(pulsation * t)
        before = most * math.sin(pulsation * (t - lag_s))
        late.follow(-stiffness * before, -stiffness * at, 0.0, velocity, dt)
        damped = -stiffness * at - 100.0 * velocity
        prompt.follow(damped, -stiffness * at, 0.0, velocity, dt)
        assert prompt.energy_J < prompt.limited_J
    # ∮F·dx of a spring that lags by φ: π·K·A²·sin φ.
    expected = math.pi * stiffness * most**2 * math.sin(pulsation * lag_s)
    assert late.energy_J > 0.5 * min(expected, late.tripped_J)
    assert late.damping_share > 0.0


def test_a_value_that_is_no_number_trips() -> None:
    watch = OutputEnergy(PROFILE)
    watch.follow(math.nan, 0.0, 0.0, 0.1, PERIOD)
    assert not watch.energy_J <= watch.tripped_J
    assert watch.unstable


def test_defaults_follow_from_the_bandwidth(change: Callable[..., Any]) -> None:
    slow = change(PROFILE, control__force_bandwidth=5.0)
    assert ramp_lag(PROFILE) == pytest.approx(8000 / (2 * math.pi * 26))
    assert force_following(slow).tripped > force_following(PROFILE).tripped
    written = FollowingLimit.model_construct(limited=50.0, tripped=90.0)
    assert force_following(change(PROFILE, limits__force_following=written)) is written
    for limit in (force_following, setpoint_following, output_energy):
        assert 0 < limit(PROFILE).limited < limit(PROFILE).tripped
    assert Limit.FORCE_FOLLOWING in ALWAYS_CATEGORY_0


@pytest.mark.parametrize(
    ("key", "limited", "tripped", "says"),
    [
        ("force_following", 90.0, 80.0, "not above 'limited', 90 N"),
        ("force_following", 10.0, 20.0, "already lags by 48.97 N"),
        ("setpoint_following", 90.0, 700.0, "it would never act first"),
        ("output_energy", 0.5, 0.4, "not above 'limited', 0.5 J"),
    ],
)
def test_check_names_limits_that_cannot_work(
    change: Callable[..., Any], key: str, limited: float, tripped: float, says: str
) -> None:
    kind = EnergyLimit if key == "output_energy" else FollowingLimit
    wrong = change(
        PROFILE, **{f"limits__{key}": kind.model_construct(limited=limited, tripped=tripped)}
    )
    found = [f for f in limit_inconsistencies(wrong) if f.path[:2] == ("limits", key)]
    assert any(says in f.what for f in found), found


@pytest.mark.parametrize(
    ("cycles", "mass", "stiffness", "damping"),
    [(10, 1.0, 60e3, 50.0), (10, 2.5, 60e3, 0.0), (20, 1.0, 60e3, 50.0), (40, 1.0, 60e3, 50.0)],
)
def test_a_virtual_spring_that_answers_late_trips_as_unstable_before_its_second_full_swing(
    footplate: Profile, cycles: int, mass: float, stiffness: float, damping: float
) -> None:
    rig = Rig(footplate, mass, at_m=MIDDLE)
    rig.apply(VirtualSpring(rest_m=MIDDLE, stiffness_N_m=stiffness, damping_N_s_m=damping))
    active: Any = rig.bench.bench._active
    prompt, waiting = active.force, deque[float]()

    def late(position: float, velocity: float, dt: float) -> float:
        waiting.append(prompt(position, velocity, dt))
        return waiting.popleft() if len(waiting) > cycles else waiting[0]

    active.force = late
    energy, halves = rig.bench.bench.supervisor.following.energy, 0
    while rig.state is State.RUNNING:
        side = energy._side
        rig.run(PERIOD)
        # Half swings that the watch can detect: those that add energy.
        halves += energy._side != side and energy._before_J > 0.03 * energy.tripped_J
        assert halves < 4
    assert rig.bench.bench.cause == Limit.OUTPUT_ENERGY
    assert rig.bench.bench.cause_text.startswith("unstable:")
    assert rig.limited >> Limit.OUTPUT_ENERGY & 1
