"""Samples missed while the rig moves: estimates do not jump at the next sample."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.base import PowerStage, Telemetry
from drivers.simulated.lateness import Delay
from hil.bench import CycleTiming
from hil.bench.lockstep import LockstepBench
from hil.control.commissioning import SpeedRun
from hil.control.estimation import Estimator
from hil.control.force_controller import ForceController
from hil.control.force_design import design
from hil.core.requests import Apply, Commission, Enable, Float, MotorSpeed, PowerOn
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile
from hil.supervision import Supervisor

SPEED = INDEX["nut_velocity_m_s"]


@pytest.mark.parametrize("missed", [1, 3, 8])
def test_a_gap_in_the_samples_is_no_sudden_speed(missed: int) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=Float(damping_N_s_m=100.0)))
    bench.environment.push(15.0)
    while bench.step()[SPEED] < 0.08:
        pass
    bench.environment.disturb("silent", 1)
    bench.run(missed * bench.period_s)
    bench.environment.disturb("silent", 0)
    for _ in range(20):
        seen = bench.step()[SPEED]
        assert seen == pytest.approx(bench.drive.core.physics.nut_velocity_m_s, abs=0.02)
    assert bench.bench.state is State.RUNNING


def towards_an_end(bench: LockstepBench) -> None:
    """Move the nut at 8 mm/s inside an envelope that trips at 25 mm/s."""
    bench.run(0.4)
    bench.environment.support_load(True)
    bench.run(0.4)
    asked = Commission(force_N=58.0, speed_m_s=0.02, torque_N_m=0.1)
    assert bench.request(asked).accepted
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    for _ in range(6):
        bench.request(Enable(held=True))
        bench.run(0.1)
    run = MotorSpeed(speed_m_s=0.008, torque_N_m=0.09, duration_s=9.0, travel_m=0.05, force_N=52.0)
    assert bench.request(Apply(behaviour=run)).accepted
    for _ in range(6):
        bench.request(Enable(held=True))
        bench.run(0.1)
    assert bench.last_row[SPEED] == pytest.approx(0.008, abs=0.003)


def delayed(where: str, seconds: float) -> Delay:
    values: dict[str, Any] = {where: seconds}
    return Delay(**values)


class Woken:
    """The cycle of ``hil.host`` with wake-ups set by hand."""

    def __init__(self, bench: LockstepBench) -> None:
        self.bench = bench
        self.now_s = bench.time_s
        for _ in range(3):
            self.cycle(Delay())

    def cycle(self, delay: Delay, after_s: float | None = None) -> float:
        """Wake ``after_s`` (default: a period) after the last cycle's end; return the nut's speed."""
        bench = self.bench
        bench.request(Enable(held=True))
        dt = bench.period_s if after_s is None else after_s
        woke = self.now_s + dt
        telemetry = bench.drive.read_late(woke, delay)
        self.now_s = woke + delay.device_s + delay.answer_s
        row = bench.bench.advance(telemetry, dt, CycleTiming(woke))
        bench.drive.write(bench.bench.command)
        return row[SPEED]


@pytest.mark.parametrize("held_up_ms", [2, 7, 12])
@pytest.mark.parametrize("where", ["wake_s", "device_s", "answer_s"])
def test_a_cycle_that_was_held_up_is_no_sudden_speed(held_up_ms: int, where: str) -> None:
    """The delay comes before the wake-up, the sample or the answer; the rig moves on meanwhile."""
    bench = LockstepBench(load_profile("footplate_trainer"))
    towards_an_end(bench)
    woken = Woken(bench)
    held_up_s = 1e-3 * held_up_ms
    if where == "wake_s":
        seen = [woken.cycle(Delay(), bench.period_s + held_up_s)]
    else:
        seen = [woken.cycle(delayed(where, held_up_s))]
    # Lost periods are not made up for: the next cycle is due at once.
    seen.append(woken.cycle(Delay(), 0.2 * bench.period_s))
    seen += [woken.cycle(Delay()) for _ in range(8)]
    assert bench.bench.state is State.RUNNING
    assert seen == pytest.approx([0.008] * len(seen), abs=0.005)


@pytest.mark.parametrize("where", ["device_s", "answer_s"])
def test_answers_that_are_always_late_are_used_all_the_same(where: str) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    towards_an_end(bench)
    woken = Woken(bench)
    used = set()
    for _ in range(40):
        seen = woken.cycle(delayed(where, bench.period_s))
        used.add(bench.bench.estimator.nut_position_m)
        # The speed is known only to the accuracy of the sample times.
        assert seen == pytest.approx(0.008, abs=0.012)
    assert bench.bench.state is State.RUNNING and len(used) == 40


def test_an_old_sample_is_no_sudden_speed() -> None:
    """A sample 10 ms old at 30 mm/s: by wake-up times it would read 290 mm/s."""
    estimator = Estimator(load_profile("footplate_trainer"), 0.001)
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.bench.estimator = estimator
    telemetry = bench.drive.read()
    speed_m_s = 0.03
    for k in range(400):
        taken = 10 + 0.001 * k + (0.010 if k > 300 else 0.0)
        telemetry.time_s = telemetry.deflection_time_s = taken
        telemetry.position_rad = speed_m_s * taken / bench.bench.nut_per_rad
        # Cycle 300 is held up for 10 ms after its sample was taken.
        dt = 0.011 if k == 300 else 0.001
        row = bench.bench.advance(telemetry, dt, CycleTiming(taken + (0.010 if k == 300 else 0.0)))
        if k > 200:
            assert row[SPEED] == pytest.approx(speed_m_s, abs=0.001)


def test_a_deflection_from_another_cycle_is_brought_to_the_time_of_the_motor() -> None:
    """Every 20th deflection is 2 ms older than the position while the nut runs against the springs."""
    bench = LockstepBench(load_profile("footplate_trainer"))
    telemetry = bench.drive.read()
    speed_m_s = 0.05
    counts = telemetry.deflection_counts
    worst = 0.0
    per_count = abs(
        bench.bench.calibration.deflection(counts + 1) - bench.bench.calibration.deflection(counts)
    )
    sign = (
        1
        if bench.bench.calibration.deflection(counts + 1)
        > bench.bench.calibration.deflection(counts)
        else -1
    )
    for k in range(150):
        taken = 10 + 0.001 * k
        felt = taken - (0.002 if k > 60 and k % 20 == 0 else 0.0)
        telemetry.time_s, telemetry.deflection_time_s = taken, felt
        telemetry.position_rad = speed_m_s * (taken - 10) / bench.bench.nut_per_rad
        telemetry.deflection_counts = counts + round(sign * speed_m_s * (felt - 10) / per_count)
        row = bench.bench.advance(telemetry, 0.001, CycleTiming(taken))
        if k > 60:
            worst = max(worst, abs(row[INDEX["output_velocity_m_s"]]))
    assert worst < 0.002  # unmatched times would give 10 mm/s


def test_without_a_new_sample_observer_and_caps_stand() -> None:
    """A repeated sample is not new: wake-ups alone must not read as a constant force."""
    profile = load_profile("footplate_trainer")
    estimator, supervisor = Estimator(profile, 0.001), Supervisor(profile, 0.001)
    law = ForceController(profile, design(profile, 0.001, 0.001), 0.001)
    estimator.reset(0.02, 0.0)
    for k in range(20):
        estimator.update(0.02 + 1e-5 * k, 1e-5 * k, 1.2 * k, 0.3, 0.001)
        law.torque(50.0, estimator, 2.0)
        supervisor.force_rate.follow(1.2 * k, estimator.step_s)
        supervisor.bounds.update(estimator, 1.2 * k, True)
    before = law._disturbance, law._momentum, supervisor.force_rate.rate_N_s, supervisor.balance_N
    assert 0.0 not in before
    estimator.miss()
    for _ in range(5):
        law.torque(50.0, estimator, 2.0)
        supervisor.force_rate.follow(1.2 * 19, estimator.step_s)
        supervisor.bounds.update(estimator, 1.2 * 19, True)
    after = law._disturbance, law._momentum, supervisor.force_rate.rate_N_s, supervisor.balance_N
    assert after == before


def test_without_a_new_sample_every_watch_stands() -> None:
    """A repeated value must not count as evidence that lasts."""
    profile = load_profile("footplate_trainer")
    estimator, supervisor = Estimator(profile, 0.001), Supervisor(profile, 0.001)
    estimator.reset(0.02, 0.0)
    law = ForceController(profile, design(profile, 0.001, 0.001), 0.001)
    run = SpeedRun(
        MotorSpeed(speed_m_s=0.02, torque_N_m=0.5, duration_s=9.0, travel_m=1.0, force_N=1e3),
        estimator,
        profile,
    )
    telemetry = Telemetry(age_s=0.0, deflection_age_s=0.0, power=PowerStage.ON)
    telemetry.deflection_counts = 2048.0
    following = supervisor.following

    def cycle(k: int) -> None:
        telemetry.supply_V = 36.0 + 0.01 * k
        # The springs show far less force than the motor, so that the disagreement watch runs.
        supervisor.check(telemetry, estimator, 0.0, True, 0.001)
        law.torque(300.0, estimator, 2.0)
        following.force.follow(0.0, 300.0, 0, estimator.step_s)
        following.energy.follow(100.0, 0.0, 0.0, 0.05, estimator.step_s)
        run.torque(estimator, 0.0, 0.001, 2.0)

    def state() -> tuple[float, ...]:
        sensors = supervisor._sensors
        return (
            law._reference_m,
            following.force.error_N,
            following.energy.energy_J,
            run._integral,
            supervisor.disagreement._parted_s,
            supervisor.supply.volts,
            supervisor._nut_speed._time_s,
            sensors.still_s,
            supervisor.bounds.load.balance_N,
        )

    for k in range(60):
        telemetry.time_s = telemetry.deflection_time_s = 0.001 * (k + 1)
        estimator.update(0.02, 0.0, 0.0, 2.5, 0.001)
        cycle(k)
    before = state()
    assert 0.0 not in before[:-1], supervisor.detail
    estimator.miss()
    for _ in range(20):
        cycle(59)
    assert state() == before


@pytest.mark.parametrize("gap", [1.6, 5.0, 19.0])
def test_the_wanted_motion_does_not_swing_up_across_a_gap(gap: float) -> None:
    """An explicit integration step over 19 periods would overshoot the reference many times."""
    profile = load_profile("footplate_trainer")
    estimator = Estimator(profile, 0.001)
    law = ForceController(profile, design(profile, 0.001, 0.001), 0.001)
    estimator.reset(0.02, 0.0)
    estimator.update(0.02, 0.0, 0.0, 0.0, 0.001)
    law.torque(0.0, estimator, 2.0)
    aim = law._calibration.deflection_for(300.0)
    for _ in range(60):
        estimator.update(0.02, 0.0, 0.0, 0.0, 0.001 * gap)
        law.torque(300.0, estimator, 2.0)
        assert -0.1 * aim <= law._reference_m <= 1.2 * aim
    assert law._reference_m == pytest.approx(aim, rel=0.05)
