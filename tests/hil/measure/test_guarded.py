"""Guarded tests in lockstep: figures cover the truth; a stop ends the plan with power off."""

import json
from dataclasses import replace

import numpy as np
import pytest

from drivers.base import PowerStage
from drivers.simulated import Lateness
from hil.core import INDEX
from hil.measure import TESTS, assemble, finished_runs, measure_in_lockstep
from hil.measure.characteristic import Characteristic
from hil.measure.sheet import SheetError
from hil.measure.truth import TRUE_FILE
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")


def without_power(bench) -> bool:
    return bench.last_row[INDEX["power_stage"]] == PowerStage.OFF


def test_figures_cover_the_truth_with_late_cycles_and_are_the_same_again(tmp_path):
    late = Lateness(share=0.02, up_to_s=0.002)
    end, bench = measure_in_lockstep(
        PROFILE, "force_response_free", 3, tmp_path / "runs", lateness=late
    )
    assert end.how == "finished" and without_power(bench)
    sheet = assemble(tmp_path, TESTS)
    names = {c.name: c for c in sheet.characteristics}
    bandwidth = names["force_response_free.bandwidth"]
    assert bandwidth.covered, bandwidth
    assert bandwidth.u95 < 0.2 * bandwidth.value
    assert assemble(tmp_path, TESTS).as_data() == sheet.as_data()
    assert "force_response" in sheet.missing


def test_letting_go_stops_the_test_and_its_run_is_no_result(tmp_path):
    end, bench = measure_in_lockstep(
        PROFILE, "force_response_free", 3, tmp_path / "runs", let_go_s=1.0
    )
    assert end.how == "stopped" and "hold-to-run" in end.text.lower()
    assert without_power(bench)
    assert (next((tmp_path / "runs").iterdir()) / TRUE_FILE).exists()
    assert finished_runs(tmp_path) == {}
    with pytest.raises(SheetError, match="no finished run"):
        assemble(tmp_path, TESTS)


def test_a_difference_needs_more_than_both_uncertainties():
    figure = Characteristic("a", "A", 10.0, 1.0, "N", predicted=11.2, predicted_u95=0.8)
    assert not figure.differs
    assert replace(figure, predicted=11.4).differs
    assert not replace(figure, predicted=float("nan")).differs
    numpy_figure = replace(figure, value=np.float64(10.0), truth=10.5)
    assert json.dumps([numpy_figure.differs, numpy_figure.covered]) == "[false, true]"


def test_a_rotor_far_from_the_stated_one_is_a_case_for_the_test_plant(tmp_path):
    simulation = PROFILE.simulation
    heavy = {"rotor_inertia_kg_m2": 1.4 * PROFILE.actuator.motor.rotor_inertia}
    rig = PROFILE.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": simulation.actual | heavy})}
    )
    end, bench = measure_in_lockstep(rig, "force_response", 1, tmp_path / "runs")
    assert end.how == "stopped" and "Force disagreement" in end.text
    assert "run the test Plant (plant)" in end.text
    assert without_power(bench)
    # Plant comes first in the plan: later tests rely on its values.
    assert TESTS[0].key == "plant"
