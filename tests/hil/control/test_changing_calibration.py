"""Another calibration on a rig under force control: no jump, and correct afterwards."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.lockstep import LockstepBench
from hil.control.calibration import ForceCalibration, LiveCalibration
from hil.core import Sample
from hil.core.requests import (
    Apply,
    Behaviour,
    ConstantForce,
    PowerOn,
    UseCalibration,
    VirtualSpring,
)
from hil.core.samples import INDEX
from hil.profile.loader import load_profile
from hil.profile.schema import Calibration

PROFILE = load_profile("footplate_trainer")
OWN = PROFILE.calibration.model_dump(mode="json")
LAW = OWN["spring_law"]
STIFFER = OWN | {"zero": 2036.0, "spring_law": LAW | {"inner_rate": 130e3, "outer_rate": 65e3}}


def column(rows: list[Sample], name: str) -> np.ndarray:
    return np.array([row[INDEX[name]] for row in rows])


def holding(behaviour: Behaviour, mass_kg: float) -> LockstepBench:
    bench = LockstepBench(PROFILE)
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    bench.request(
        Apply(behaviour=VirtualSpring(rest_m=0.02, stiffness_N_m=20e3, damping_N_s_m=300.0))
    )
    bench.run(0.5)
    bench.environment.hang(mass_kg)
    bench.run(1.5)
    bench.request(Apply(behaviour=behaviour))
    bench.run(1.5)
    return bench


@pytest.mark.parametrize(
    "behaviour",
    [
        VirtualSpring(rest_m=0.03, stiffness_N_m=30e3, damping_N_s_m=300.0),
        ConstantForce(force_N=205.0, damping_N_s_m=500.0),
    ],
)
def test_a_behaviour_under_way_does_not_jump(behaviour: Behaviour) -> None:
    bench = holding(behaviour, 2.5)
    before = bench.run(0.5)
    assert bench.request(UseCalibration(calibration=STIFFER)).accepted
    rows = bench.run(2.0)
    # A jump would show in the first cycles; later the rig itself moves, slowly.
    first = [before[-1], *rows[:50]]
    for name in ("spring_force_N", "commanded_torque_N_m"):
        quiet = np.abs(np.diff(column(before, name))).max()
        assert np.abs(np.diff(column(first, name))).max() < 2.0 * quiet
    # The two laws differ by about 25 N here.
    assert np.abs(column(rows, "output_velocity_m_s")).max() < 0.02


def test_afterwards_the_new_law_alone_counts() -> None:
    bench = holding(VirtualSpring(rest_m=0.03, stiffness_N_m=30e3, damping_N_s_m=300.0), 2.5)
    bench.request(UseCalibration(calibration=STIFFER))
    row = bench.run(12.0)[-1]
    law = ForceCalibration(
        Calibration.model_validate(STIFFER, context={"si": True}), PROFILE.sensors.deflection
    )
    deflection = law.deflection(row[INDEX["deflection_counts"]])
    assert row[INDEX["deflection_m"]] == pytest.approx(deflection, abs=1e-12)
    assert row[INDEX["spring_force_N"]] == pytest.approx(law.force(deflection), abs=1e-9)
    assert not bench.bench.calibration.sliding
    assert [e for e in bench.events if e["kind"] == "calibration"]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"zero": 5000.0}, "calibration.zero"),
        ({"zero": "many"}, "zero"),
        ({"colour": 1}, "colour"),
        ({"spring_law": LAW | {"inner_rate": -1.0}}, "inner_rate"),
        ({"uncertainty_table": [[0.0, 1.0]]}, "two rows"),
        ({"sensor_table": [[-2000, -7.0], [0, 0.5], [2000, 0.2]]}, "throughout"),
    ],
)
def test_a_wrong_calibration_is_refused_and_changes_nothing(
    change: dict[str, Any], word: str
) -> None:
    bench = LockstepBench(PROFILE)
    bench.run(0.1)
    outcome = bench.request(UseCalibration(calibration=OWN | change))
    assert not outcome.accepted
    assert word in outcome.text
    assert bench.bench.profile is PROFILE
    assert not bench.bench.calibration.sliding


def calibration(**changes: Any) -> ForceCalibration:
    return ForceCalibration(
        Calibration.model_validate(OWN | changes, context={"si": True}), PROFILE.sensors.deflection
    )


def test_a_sensor_table_and_an_uncertainty_table_are_followed() -> None:
    table = [[-2048, -7.0], [-1000, -3.7], [0, 0.0], [1000, 3.6], [2047, 7.4]]
    law = calibration(sensor_table=table, uncertainty_table=[[0.0, 1.0], [500.0, 3.0]])
    assert law.deflection(2048.0 + 1000.0) == pytest.approx(3.6e-3)
    assert law.deflection(2048.0 - 500.0) == pytest.approx(-1.85e-3)
    assert law.u95(250.0) == pytest.approx(4.0)
    assert law.u95(1000.0) == pytest.approx(12.0)
    assert law.u95(-50.0) == pytest.approx(2.0)
    both = calibration(uncertainty_table=[[-100.0, 1.0], [500.0, 3.0]])
    assert both.u95(-300.0) == pytest.approx(6.0)


@settings(max_examples=60, deadline=None)
@given(
    zero=st.floats(2000, 2100),
    inner=st.floats(100e3, 140e3),
    outer=st.floats(50e3, 90e3),
    steps=st.integers(0, 499),
    force=st.floats(-600, 600),
)
def test_while_it_slides_law_and_inverse_agree(
    zero: float, inner: float, outer: float, steps: int, force: float
) -> None:
    live = LiveCalibration(calibration())
    live.slide_to(
        calibration(zero=zero, spring_law=LAW | {"inner_rate": inner, "outer_rate": outer}), 0.5
    )
    for _ in range(steps):
        live.advance(0.001)
    assert live.force(live.deflection_for(force)) == pytest.approx(force, abs=0.01)
    assert live.stiffness(0.001) > 0.0
