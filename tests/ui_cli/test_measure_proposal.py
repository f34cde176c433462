"""``hookeline measure --propose``: what a measured plant makes of the profile, and written if asked."""

import json
import shutil
from types import SimpleNamespace

import pytest

from hil.measure import Characteristic, EvaluatedRun, Sheet
from hil.profile import load_profile
from hil.profile.loader import SHIPPED
from ui.cli import main
from ui.commands import measure


@pytest.fixture
def rig(tmp_path, monkeypatch):
    shutil.copytree(SHIPPED, tmp_path / "profiles")
    file = tmp_path / "profiles" / "footplate_trainer.yaml"
    profile = load_profile(str(file))
    heavier = 1.3 * profile.actuator.reflected_mass
    figure = Characteristic("plant.reflected_mass", "Mass", heavier, 0.3, "kg")
    tested = EvaluatedRun(SimpleNamespace(key="plant"), None, (figure,))
    monkeypatch.setattr(measure, "assemble", lambda *_: Sheet(profile, (tested,), ()))
    return file, heavier


def test_values_are_written_into_the_profile(rig, tmp_path, capsys):
    file, heavier = rig
    options = ["measure", "--propose", str(tmp_path), "--json"]
    assert main([*options, "--apply", "--profile", str(file)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert list(told["changes"]) == ["actuator.motor.rotor_inertia"] and told["written"]
    assert load_profile(str(file)).actuator.reflected_mass == pytest.approx(heavier, rel=1e-3)
    # The profile is another one now: the same measurement is not written twice.
    assert main([*options, "--apply", "--profile", str(file)]) != 0
    assert "measure again" in capsys.readouterr().err


def test_without_apply_nothing_is_written(rig, tmp_path, capsys):
    file, _heavier = rig
    before = {p: p.read_bytes() for p in file.parent.rglob("*.yaml")}
    assert main(["measure", "--propose", str(tmp_path)]) == 0
    assert "Redesign proposed" in capsys.readouterr().out
    assert {p: p.read_bytes() for p in file.parent.rglob("*.yaml")} == before
