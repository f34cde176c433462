"""A session in lockstep with late cycles: setpoints are followed and the output is not thrown."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.limits import Cause
from hil.core.requests import Apply, HoldPosition, PowerOn, VirtualSpring
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

PROFILE = load_profile("footplate_trainer")
LATE = {
    "3 ms once in 500 cycles": Lateness(pause_s=0.003, pause_every_s=0.5),
    "1 % by up to 4 ms": Lateness(share=0.01, up_to_s=0.004),
    "5 % by up to 3 ms": Lateness(share=0.05, up_to_s=0.003),
    "10 ms every second": Lateness(pause_s=0.01, pause_every_s=1.0),
    "5 % by up to 5 ms, 8 ms every second": Lateness(
        share=0.05, up_to_s=0.005, pause_s=0.008, pause_every_s=1.0
    ),
    "20 % by up to 5 ms": Lateness(share=0.2, up_to_s=0.005),
    "20 % by up to 5 ms, a third in the device": Lateness(
        share=0.2, up_to_s=0.005, stale_share=1 / 3, device_share=1 / 3
    ),
}


def springing(lateness: Lateness | None) -> LockstepBench:
    """A virtual spring of 60 N/mm about mid-stroke while a hand pushes with 40 N at 2 Hz."""
    bench = LockstepBench(PROFILE, 3, lateness)
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(Apply(behaviour=HoldPosition(position_m=0.0275, speed_m_s=0.06)))
    bench.run(0.9)
    spring = VirtualSpring(stiffness_N_m=6e4, rest_m=0.0275, damping_N_s_m=200.0)
    assert bench.request(Apply(behaviour=spring)).accepted
    bench.run(0.1)
    bench.environment.push(40.0, 2.0, 10.0)
    return bench


def extremes(bench: LockstepBench, seconds: float) -> tuple[float, float, float]:
    """Return the largest force (N), nut speed (m/s) and error of the estimated nut speed (m/s)."""
    physics, end = bench.drive.core.physics, bench.time_s + seconds
    force = speed = error = 0.0
    while bench.time_s < end:
        # The estimate is for the time of the sample, which may be some ms old.
        row = bench.step()
        force = max(force, abs(physics.spring_force_N))
        speed = max(speed, abs(physics.nut_velocity_m_s))
        error = max(error, abs(row[INDEX["nut_velocity_m_s"]] - physics.nut_velocity_m_s))
    return force, speed, error


@functools.cache
def calm() -> tuple[float, float, float]:
    return extremes(springing(None), 1.1)


@pytest.mark.parametrize("name", LATE)
def test_late_cycles_do_not_throw_the_output(name: str) -> None:
    calm_force, calm_speed, _ = calm()
    bench = springing(LATE[name])
    force, speed, error = extremes(bench, 1.1)
    assert bench.bench.state is State.RUNNING
    assert bench.late_cycles > 0
    assert force < 1.1 * calm_force + 5.0
    assert speed < 1.3 * calm_speed + 0.005
    assert error < 0.03


def test_without_delays_nothing_changes() -> None:
    """The late path through a cycle without delays equals the prompt path, one period apart."""
    prompt, late = springing(None), springing(Lateness())
    for _ in range(50):
        ours, theirs = prompt.step(), late.step()
        assert ours[0] == pytest.approx(theirs[0] - prompt.period_s)
        assert ours[INDEX["spring_force_N"]] == pytest.approx(
            theirs[INDEX["spring_force_N"]], abs=2.0
        )
    assert late.late_cycles == 0


@pytest.mark.parametrize(
    ("lateness", "cause", "says"),
    [
        (Lateness(pause_s=0.12, pause_every_s=0.2, stale_share=0.0), Cause.CYCLE_LATE, "ms late"),
        (Lateness(pause_s=0.06, pause_every_s=0.2, stale_share=1.0), Cause.CYCLE_LATE, "ms late"),
    ],
)
def test_a_pause_beyond_the_limit_stops_and_says_so(
    lateness: Lateness, cause: int, says: str
) -> None:
    bench = springing(None)
    bench.be_late(lateness)
    bench.run(0.4)
    assert bench.bench.state is State.STOPPED
    assert bench.bench.cause == cause and says in bench.bench.cause_text


def test_lateness_can_begin_and_end() -> None:
    bench = springing(None)
    bench.be_late(Lateness(share=1.0, up_to_s=0.003))
    rows = bench.run(0.1)
    bench.be_late(None)
    before = bench.late_cycles
    rows += bench.run(0.1)
    times = [row[0] for row in rows]
    assert before > 0 and bench.late_cycles <= before + 1
    assert times == sorted(set(times))


def test_where_every_second_sample_is_missing_the_age_of_the_other_is_predicted_for() -> None:
    """If repeated samples counted as fresh, the force would be 8.7 N rms off and the springs swing."""
    seen = []
    every_second = Lateness(recorded=((0.0, 0.0, 0.0), (0.0, 0.0, 0.001)))
    for lateness in (None, every_second):
        bench = springing(None)
        bench.be_late(lateness)
        physics, end = bench.drive.core.physics, bench.time_s + 0.8
        forces = []
        while bench.time_s < end:
            bench.step()
            forces.append((physics.time_s, physics.spring_force_N))
        seen.append(np.array(forces).T)
    (prompt_s, prompt), (time_s, force) = seen
    assert np.std(force - np.interp(time_s, prompt_s, prompt)) < 2.0
