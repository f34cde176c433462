"""Drift of the force reading over an hour: only on request, within its band, motion reported."""

import numpy as np
import pytest

from hil.measure import TESTS, assemble, chosen, drift, measure_in_lockstep, sheet_of
from hil.profile import load_profile
from tests.hil.measure.synthetic import SyntheticRun

PROFILE = load_profile("footplate_trainer")
RATE_Hz, ROWS = 5, 18_000


def an_hour(seed, drift_N=0.4, turned_m=0.0):
    chance, t = np.random.default_rng(seed), np.arange(ROWS) / RATE_Hz
    force = 20.0 + drift_N * t / 3600 + chance.normal(0, 0.4, ROWS)
    nut = np.where(t < 1800, 0.02, 0.02 + turned_m)
    return SyntheticRun(
        {"time_s": t, "spring_force_N": force, "nut_position_m": nut}, [("drift", 0, ROWS, {})]
    )


def test_the_band_covers_a_steady_drift():
    found = [drift._evaluate(an_hour(seed), PROFILE).characteristics[0] for seed in range(60)]
    covered = sum(abs(c.value - 0.4) <= c.u95 for c in found)
    assert covered >= 52  # 95 % of 60 is 57; 51 or fewer occur in 1 of 100
    errors = [(c.value - 0.4) / c.u95 for c in found]
    assert 0.3 < np.sqrt(np.mean(np.square(errors))) < 0.75


def test_a_motor_that_turned_meanwhile_is_reported():
    with pytest.raises(ValueError, match=r"turned by 0\.100 mm"):
        drift._evaluate(an_hour(1, turned_m=1e-4), PROFILE)


def test_it_runs_only_where_it_is_named():
    assert drift.TEST not in chosen([]) and len(chosen([])) == len(TESTS) - 1
    assert chosen(["drift"]) == [drift.TEST]


def test_a_drifting_sensor_is_measured_without_power(tmp_path, monkeypatch):
    monkeypatch.setattr(drift, "HOUR_S", 40.0)
    actual = PROFILE.simulation.actual | {"sensor_drift_counts_per_s": 0.05}
    simulation = PROFILE.simulation.model_copy(update={"actual": actual})
    rig = PROFILE.model_copy(update={"simulation": simulation})
    end, _bench = measure_in_lockstep(rig, "drift", 2, tmp_path / "runs")
    assert end.how == "finished", end.text
    sheet = assemble(tmp_path, TESTS)
    (figure,) = sheet.characteristics
    assert figure.covered and abs(figure.truth) > 0 and "power off" in figure.conditions
    # A sensor that wanders by 0.05 counts a second is not that of the profile.
    assert figure.predicted == 0.0 and figure.differs
    # A test that runs only on request is not missing.
    assert "drift" not in sheet_of(sheet.tested, TESTS).missing
    assert len(sheet.missing) == len(TESTS) - 1
