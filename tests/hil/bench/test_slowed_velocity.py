"""The force loop over a velocity-commanded drive slows down while running, on time and late."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.lateness import Lateness
from hil.bench.lockstep import LockstepBench
from hil.control import VelocityController
from hil.core import (
    INDEX,
    Apply,
    Behaviour,
    Float,
    HoldPosition,
    PowerOff,
    Sample,
    SessionCap,
    State,
    VirtualSpring,
    Waveform,
)
from hil.profile import load_profile
from tests.hil.bench.test_session_cap import BOTH, MIDDLE_M, borne_N, column, powered

PROFILE = load_profile("footplate_velocity")
CAP = SessionCap(bandwidth_Hz=13.0)
WAVE_HZ = 4.0  # the output stays clear of its soft ends


def lifted(lateness: Lateness | None = None) -> LockstepBench:
    bench = powered(profile=PROFILE, lateness=lateness)
    bench.request(Apply(behaviour=HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)))
    bench.run(1.2)
    return bench


def proportional(bench: LockstepBench) -> float:
    controller = bench.bench.force_controller
    assert isinstance(controller, VelocityController)
    return controller._proportional


def followed(rows: list[Sample]) -> float:
    """Return the gain from shaped to spring force at the waveform's frequency; whole periods."""
    turn = np.exp(-2j * np.pi * WAVE_HZ * column(rows, "time_s"))
    shaped, spring = (column(rows, f"{name}_force_N") for name in ("shaped", "spring"))
    return float(
        abs(np.sum((spring - spring.mean()) * turn) / np.sum((shaped - shaped.mean()) * turn))
    )


@BOTH
def test_it_is_slowed_without_a_bump_and_widened_without_power(lateness: Lateness | None) -> None:
    bench = lifted(lateness)
    load = borne_N(bench)
    wave = Waveform(shape="sine", offset=load, amplitude=30.0, frequency_Hz=WAVE_HZ, duration_s=60)
    assert bench.request(Apply(behaviour=wave, load_may_move=True)).accepted
    bench.run(0.5)
    before = bench.run(1.0)
    designed = bench.bench.gains
    first = proportional(bench)
    outcome = bench.request(CAP)
    assert outcome.accepted and "changes to 12.2 Hz" in outcome.text
    during = bench.run(0.02)
    assert 0.9 * first < proportional(bench) < first  # still changing
    during += bench.run(0.6)
    after = bench.run(1.0)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    assert proportional(bench) == pytest.approx(0.7 * first)
    assert followed(after) < 0.92 * followed(before)  # the cost of a slower loop
    for name in ("spring_force_N", "nut_velocity_m_s"):
        usual = np.max(np.abs(np.diff(column(before, name))))
        jump = np.max(np.abs(np.diff(column(before[-1:] + during, name))))
        assert jump < 1.5 * usual, name
    assert bench.request(SessionCap(bandwidth_Hz=8.0)).accepted  # narrower once more
    bench.run(0.6)
    assert proportional(bench) == pytest.approx(0.5 * first)
    assert "power off first" in bench.request(SessionCap(bandwidth_Hz=20.0)).text
    bench.request(PowerOff())
    bench.run(0.3)
    assert bench.request(SessionCap(bandwidth_Hz=26.0, widen=True)).accepted
    assert bench.bench.gains.predicted.bandwidth_Hz == designed.predicted.bandwidth_Hz
    assert proportional(bench) == pytest.approx(first)


@BOTH
@pytest.mark.parametrize(
    "behaviour",
    [Float(), VirtualSpring(rest_m=MIDDLE_M, stiffness_N_m=1.0e5, bias_N=32.0)],
    ids=lambda behaviour: behaviour.kind,
)
def test_what_acts_goes_on_in_bounds(lateness: Lateness | None, behaviour: Behaviour) -> None:
    def fastest(cap: SessionCap | None) -> float:
        bench = lifted(lateness)
        assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
        bench.run(0.35)
        if cap is not None:
            assert bench.request(cap).accepted
        seen = []
        for push in (0.0, 15.0, -10.0, 0.0):  # a hand pushes during the change and after
            bench.environment.push(push)
            seen += bench.run(0.2)
        assert bench.bench.state is State.RUNNING, bench.bench.cause_text
        stiffness = seen[-1][INDEX["virtual_stiffness_N_m"]]
        assert not stiffness > bench.bench.gains.most_stiffness_N_m  # NaN without a spring
        return float(np.max(np.abs(column(seen, "nut_velocity_m_s"))))

    assert fastest(SessionCap(bandwidth_Hz=8.0)) < fastest(None)
