"""Behaviours on the simulated rig and the motion that they cause."""

from __future__ import annotations

import numpy as np
import pytest

from hil.bench.lockstep import LockstepBench
from hil.control.behaviours import passive_bounds
from hil.core import Behaviour
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOn, VirtualSpring, Waveform
from hil.core.samples import INDEX, State
from hil.profile.loader import load_profile

TRAINER = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")


def working(profile, position_m: float, mass_kg: float = 0.0) -> LockstepBench:
    """Return a bench that holds ``position_m`` with a weight on it."""
    bench = LockstepBench(profile, 1)
    bench.run(0.05)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.1)
    bench.request(Apply(behaviour=HoldPosition(position_m=position_m, speed_m_s=0.06)))
    bench.run(1.2)
    if mass_kg:
        bench.environment.hang(mass_kg)
        bench.run(2.5)
    return bench


def column(rows, name: str) -> np.ndarray:
    return np.array(rows)[:, INDEX[name]]


@pytest.mark.parametrize(
    ("profile", "position", "mass"),
    [(TRAINER, 0.0275, 0.0), (TRAINER, 0.0275, 5.0), (SLIDE, 0.045, 5.0)],
    ids=["lever", "lever with 5 kg", "slide with 5 kg"],
)
def test_hold_carries_a_hung_weight_without_sag_and_lifts_it(profile, position, mass):
    bench = working(profile, position, mass)
    sag = position - column(bench.run(0.5), "output_position_m").mean()
    assert abs(sag) < 0.2e-3
    bench.request(Apply(behaviour=HoldPosition(position_m=position + 0.01, speed_m_s=0.03)))
    bench.run(4.0)
    rows = bench.run(0.5)
    assert column(rows, "output_position_m").mean() == pytest.approx(position + 0.01, abs=2e-4)
    assert column(rows, "output_velocity_m_s").std() < 1e-3
    assert bench.bench.state is State.RUNNING


SPRINGS = [(0.25, 0.0), (0.5, 0.0), (0.75, 300.0), (1.0, 0.0), (1.0, 1000.0)]


@pytest.mark.parametrize(("share", "damping"), SPRINGS)
@pytest.mark.parametrize(
    ("profile", "position", "blow"),
    [(TRAINER, 0.0275, 8.0), (TRAINER, 0.0275, 20.0), (SLIDE, 0.045, 25.0)],
    ids=["lever", "lever, hard", "slide"],
)
def test_a_struck_virtual_spring_comes_to_rest(profile, position, blow, share, damping):
    """The empty rig is the hardest case: no stiffness up to the bound keeps ringing."""
    bench = working(profile, position)
    load = float(bench.last_row[INDEX["spring_force_N"]])
    bench.request(
        Apply(
            behaviour=VirtualSpring(
                rest_m=position,
                stiffness_N_m=share * passive_bounds(profile)[0],
                damping_N_s_m=damping,
                bias_N=load,
            )
        )
    )
    bench.run(0.4)
    # On the lever this push is hard enough to reach the limit on force rate.
    bench.environment.push(blow, 0.0, 0.1)
    struck = bench.run(0.5)
    assert np.ptp(column(struck, "output_position_m")) > 1e-4
    late = bench.run(2.5)[-800:]
    assert bench.bench.state is State.RUNNING
    assert column(late, "output_velocity_m_s").std() < 1.5e-3
    assert column(late, "commanded_torque_N_m").std() < 0.02


def test_measured_stiffness_is_the_one_asked_for():
    """Pressed by a slow hand: force over output position, on both sides of the knee's force."""
    for stiffness in (20e3, 60e3, 110e3):
        bench = working(TRAINER, 0.0275)
        load = float(bench.last_row[INDEX["spring_force_N"]])
        bench.request(
            Apply(
                behaviour=VirtualSpring(
                    rest_m=0.0275, stiffness_N_m=stiffness, damping_N_s_m=400.0, bias_N=load
                )
            )
        )
        bench.run(0.5)
        bench.environment.push(15.0, 0.5)
        bench.run(2.0)
        rows = bench.run(4.0)
        x, force = column(rows, "output_position_m"), column(rows, "spring_force_N")
        design_matrix = np.column_stack(
            [np.ones_like(x), x - x.mean(), column(rows, "output_velocity_m_s")]
        )
        slope = -np.linalg.lstsq(design_matrix, force, rcond=None)[0][1]
        assert slope == pytest.approx(stiffness, rel=0.03)


def test_changing_behaviour_never_jumps():
    """Neither shaped force nor torque jumps between any two behaviours, with a weight on."""
    bench = working(TRAINER, 0.0275, 2.5)
    load = float(bench.last_row[INDEX["spring_force_N"]])
    behaviours: list[Behaviour] = [
        ConstantForce(force_N=load, damping_N_s_m=600.0),
        VirtualSpring(rest_m=0.027, stiffness_N_m=60e3, damping_N_s_m=700.0, bias_N=load),
        HoldPosition(position_m=0.028),
        Waveform(shape="sine", offset=load, amplitude=20.0, frequency_Hz=3.0, damping_N_s_m=600.0),
    ]
    for first in behaviours:
        for second in behaviours:
            bench.request(Apply(behaviour=first))
            before = bench.run(0.3)
            bench.request(Apply(behaviour=second))
            after = bench.run(0.1)
            shaped = column([*before[-30:], *after[:30]], "shaped_force_N")
            usual = np.max(np.abs(np.diff(shaped[:30])))
            apart = abs(column(after[:1], "setpoint_force_N")[0] - shaped[29])
            # Of a difference of hundreds of newtons at most the first slice of the blend.
            assert np.abs(shaped[30] - shaped[29]) < usual + 0.015 * apart + 0.5
            torque = column([*before[-1:], *after[:3]], "commanded_torque_N_m")
            assert np.max(np.abs(np.diff(torque))) < 0.15
    assert bench.bench.state is State.RUNNING


def test_float_yields_to_a_light_hand():
    """Zero force: 3 N at the load point (21 N at the rod, less than friction) moves the lever."""
    bench = working(TRAINER, 0.0275)
    load = float(bench.last_row[INDEX["spring_force_N"]])
    bench.request(Apply(behaviour=ConstantForce(force_N=load, damping_N_s_m=200.0)))
    bench.run(0.4)
    start = float(bench.last_row[INDEX["output_position_m"]])
    bench.environment.push(3.0, 0.0, 0.3)
    rows = bench.run(0.3)
    assert float(bench.last_row[INDEX["output_position_m"]]) - start > 2e-3
    felt = np.abs(column(rows, "spring_force_N") - load)
    assert np.max(felt) < 25 + 200 * np.max(column(rows, "output_velocity_m_s"))
