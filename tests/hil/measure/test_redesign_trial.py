"""A redesign is tried on the measured rig and judged against the present gains."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hil.measure import (
    TESTS,
    Characteristic,
    EvaluatedRun,
    Sheet,
    assemble,
    force_response,
    in_lockstep,
    judge_trial,
    measure_in_lockstep,
    on_trial,
    plant,
    propose,
    tried_plant,
)
from hil.profile import load_profile, on_the_same_rig, rig_parameters

PROFILE = load_profile("footplate_trainer")
GOOD = {
    "margin_small": 45.0,
    "margin_medium": 44.0,
    "bandwidth_small": 26.0,
    "bandwidth_medium": 25.0,
}


def sheet(**values: float) -> Sheet:
    figures = tuple(
        Characteristic(f"force_response.{key}", key, value, 1.0, "°" if "margin" in key else "Hz")
        for key, value in values.items()
    )
    run = SimpleNamespace(meta={"started": "2026-11-28"}, path=Path("0001"), motion="linear")
    made: Any = EvaluatedRun
    return Sheet(PROFILE, (made(SimpleNamespace(key="force_response"), run, figures),), ())


def test_a_redesign_as_good_within_the_uncertainty_may_be_taken_over():
    assert judge_trial(sheet(**GOOD), sheet(**GOOD | {"margin_small": 44.0})).accepted
    # The present gains need not have been measured: they may not even run.
    assert judge_trial(sheet(), sheet(**GOOD)).accepted


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"margin_small": 43.0}, "margin_small: 43 °, with the gains in force 45 °"),
        ({"bandwidth_medium": 20.0}, "bandwidth_medium: 20 Hz, with the gains in force 25 Hz"),
        ({"margin_medium": 29.0}, "29°, below 30°. Fix: lower control.force_bandwidth"),
        ({"margin_medium": float("nan")}, "margin_medium was not measured"),
    ],
)
def test_a_worse_redesign_is_refused_with_its_figure(change, said):
    trial = judge_trial(sheet(**GOOD), sheet(**GOOD | change))
    assert not trial.accepted and said in trial.sentence


def test_a_changed_profile_builds_no_other_rig():
    proposal = propose(PROFILE, mass_kg=1.4 * PROFILE.actuator.reflected_mass, mass_u95=0.5)
    assert rig_parameters(proposal.profile) != rig_parameters(PROFILE)
    tried = on_the_same_rig(proposal.profile, PROFILE)
    assert rig_parameters(tried) == rig_parameters(PROFILE)
    assert tried.actuator == proposal.profile.actuator


def test_a_plant_that_is_not_as_stated_is_measured_and_no_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(plant, "SINES_Hz", plant.SINES_Hz[-1:])  # highest strain
    monkeypatch.setattr(plant, "WAVES", {})
    simulation = PROFILE.simulation
    heavy = {"rotor_inertia_kg_m2": 1.4 * PROFILE.actuator.motor.rotor_inertia}
    rig = PROFILE.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": simulation.actual | heavy})}
    )
    end, _bench = measure_in_lockstep(rig, "plant", 1, tmp_path / "runs")
    assert end.how == "finished", end.text


def test_a_redesign_is_tried_on_a_bench_that_works_to_the_profile_of_before(tmp_path, monkeypatch):
    monkeypatch.setattr(force_response, "REALISATIONS", 3)
    monkeypatch.setattr(force_response, "LARGE_TRIED", 4)
    monkeypatch.setattr(force_response, "STEPS", 2)
    simulation = PROFILE.simulation
    heavy = {"rotor_inertia_kg_m2": 1.4 * PROFILE.actuator.motor.rotor_inertia}
    rig = PROFILE.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": simulation.actual | heavy})}
    )
    proposal = propose(PROFILE, mass_kg=1.4 * PROFILE.actuator.reflected_mass, mass_u95=0.5)
    trial = on_trial(force_response.BLOCKED, tried_plant(proposal.profile))
    monkeypatch.setattr(in_lockstep, "chosen", lambda _keys: [trial])
    end, bench = measure_in_lockstep(rig, "force_response", 1, tmp_path / "runs")
    # With the present gains this rig stops (see test_guarded.py).
    assert end.how == "finished", end.text
    # The trial ended with the test; its run records the tried plant and gives the figures.
    assert bench.bench.estimator.mass == pytest.approx(PROFILE.actuator.reflected_mass)
    tried = assemble(tmp_path, TESTS)
    assert tried.profile.actuator == proposal.profile.actuator
    assert judge_trial(sheet(), tried).accepted
