"""``hookeline measure --propose``: changes of the profile from a measured plant, written on request."""

import json
import shutil

import pytest

from hil.measure import (
    Characteristic,
    EndOfTest,
    EvaluatedRun,
    Sheet,
    assemble,
    chosen,
    force_response,
)
from hil.profile import load_profile
from hil.profile.loader import SHIPPED
from hil.recorder import Run
from ui.cli import main
from ui.commands import measure, redesign

[PLANT] = chosen(["plant"])


@pytest.fixture
def rig(tmp_path, monkeypatch):
    shutil.copytree(SHIPPED, tmp_path / "profiles")
    file = tmp_path / "profiles" / "footplate_trainer.yaml"
    actuator = load_profile(str(file)).actuator
    heavier = 1.3 * actuator.reflected_mass
    inertia = (heavier - actuator.nut_mass) / actuator.radians_per_metre**2
    actual = f"actual:\n    rotor_inertia_kg_m2: {inertia}"
    file.write_text(file.read_text().replace("actual:", actual, 1))
    profile = load_profile(str(file))
    figure = Characteristic("plant.reflected_mass", "Mass", heavier, 0.3, "kg")
    tested = EvaluatedRun(PLANT, Run(tmp_path, {}), (figure,))

    def assembled(folder, tests):
        if folder == tmp_path:
            return Sheet(profile, (tested,), ())
        return assemble(folder, tests)

    monkeypatch.setattr(redesign, "assemble", assembled)
    return file, heavier


def test_values_are_written_into_the_profile(rig, tmp_path, capsys):
    file, heavier = rig
    options = ["measure", "--propose", str(tmp_path), "--json"]
    assert main([*options, "--apply", "--profile", str(file)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert list(told["changes"]) == ["actuator.motor.rotor_inertia"] and told["written"]
    assert load_profile(str(file)).actuator.reflected_mass == pytest.approx(heavier, rel=1e-3)
    # The profile has changed: the same measurement cannot be written twice.
    assert main([*options, "--apply", "--profile", str(file)]) != 0
    assert "measure again" in capsys.readouterr().err


def test_without_apply_nothing_is_written(rig, tmp_path, capsys):
    file, _heavier = rig
    before = {p: p.read_bytes() for p in file.parent.rglob("*.yaml")}
    assert main(["measure", "--propose", str(tmp_path)]) == 0
    assert "Redesign proposed" in capsys.readouterr().out
    assert {p: p.read_bytes() for p in file.parent.rglob("*.yaml")} == before


def test_a_redesign_is_tried_before_it_is_written(rig, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(force_response, "REALISATIONS", 3)
    monkeypatch.setattr(force_response, "LARGE_TRIED", 4)
    monkeypatch.setattr(force_response, "STEPS", 2)
    file, heavier = rig
    options = ["measure", "--propose", str(tmp_path), "--try", "--apply", "--json", "--lockstep"]
    assert main(options) == 2 and "--try moves the rig" in capsys.readouterr().err
    assert main([*options, "--profile", str(file)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["tried"]["accepted"] and told["written"]
    assert load_profile(str(file)).actuator.reflected_mass == pytest.approx(heavier, rel=1e-3)
    assert list((tmp_path / "redesign").rglob("samples.parquet"))


def test_a_trial_that_is_stopped_writes_nothing(rig, tmp_path, capsys, monkeypatch):
    file, _heavier = rig
    before = file.read_bytes()
    stopped = [EndOfTest("force_response", "stopped", "the bench stopped")]
    monkeypatch.setattr(measure, "_lockstep", lambda *_: stopped)
    options = ["measure", "--propose", str(tmp_path), "--try", "--apply", "--lockstep"]
    assert main([*options, "--profile", str(file)]) == 1
    assert "keep the gains in force" in capsys.readouterr().out
    assert file.read_bytes() == before


def test_a_measurement_without_the_plant_is_no_verdict_on_it(tmp_path, monkeypatch, capsys):
    profile = load_profile("footplate_trainer")
    [shock] = chosen(["shock"])
    figure = Characteristic("shock.peak", "Peak", 367.0, 4.0, "N")
    sheet = Sheet(profile, (EvaluatedRun(shock, Run(tmp_path, {}), (figure,)),), ("plant",))
    monkeypatch.setattr(redesign, "assemble", lambda _folder, _tests: sheet)
    assert main(["measure", "--propose", str(tmp_path)]) == 2
    said = capsys.readouterr().err
    assert "holds no result of the test Plant" in said and "--only plant" in said
