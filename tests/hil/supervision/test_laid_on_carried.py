"""The heaviest weight laid on a carried load is braked before the end; a hand is not thrown."""

from __future__ import annotations

import pytest

from drivers.simulated import Lateness
from hil.bench.lockstep import LockstepBench
from hil.core.requests import Float
from tests.hil.supervision.test_soft_springs import LATE, apply, borne, standing

END_M_S = 0.02


@pytest.mark.parametrize("lateness", [None, LATE], ids=["in time", "late"])
@pytest.mark.parametrize(
    ("stiffness_N_m", "damping_N_s_m"), [(0.0, 100.0), (5e3, 100.0), (40e3, 200.0)]
)
def test_the_heaviest_weight_on_a_carried_one_meets_no_end(
    stiffness_N_m: float, damping_N_s_m: float, lateness: Lateness | None
) -> None:
    """561 N of 580 N leave 0.13 m/s² to brake the load, so that it must be detected within 40 ms."""
    bench = standing(2.5, lateness)
    apply(bench, borne(bench, stiffness_N_m, damping_N_s_m))
    bench.run(0.3)
    bench.environment.reset_peaks()
    bench.environment.hang(7.5)
    bench.run(1.0)
    assert bench.environment.state()["peak_end_speed_m_s"] < END_M_S, bench.bench.cause_text


@pytest.mark.parametrize("push_N", [-6.0, -10.0])
@pytest.mark.parametrize("floats", [True, False])
def test_a_hand_that_pushes_the_light_lever_down_is_not_thrown_back(
    push_N: float, floats: bool
) -> None:
    """A hand can press like a falling weight; taken for one, it was thrown up at 0.3 m/s."""
    bench = standing(0.0)
    apply(bench, Float(damping_N_s_m=100.0) if floats else borne(bench, 0.0, 100.0))
    bench.run(0.3)
    bench.environment.push(push_N, 0.0, 0.25)
    assert fastest_up_m_s(bench, 0.4) < 0.06


@pytest.mark.parametrize("push_N", [-6.0, -10.0, -20.0])
def test_a_hand_on_a_carried_load_is_not_thrown_back(push_N: float) -> None:
    bench = standing(2.5)
    apply(bench, borne(bench, 0.0, 100.0))
    bench.run(0.3)
    bench.environment.push(push_N, 0.0, 0.25)
    assert fastest_up_m_s(bench, 0.4) < 0.06


def fastest_up_m_s(bench: LockstepBench, seconds: float) -> float:
    fastest = 0.0
    for _ in range(round(1e3 * seconds)):
        bench.step()
        fastest = max(fastest, bench.drive.core.physics.output_velocity_m_s)
    return fastest
