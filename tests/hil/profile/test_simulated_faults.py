"""``simulation.injected_faults``: names checked on reading, faults made in the simulated rig."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from drivers.simulated.injected_faults import INJECTED_FAULTS
from drivers.simulated.parameters import RigParameters
from hil.profile.devices import make_lockstep_drive, rig_parameters
from hil.profile.loader import load_profile
from hil.profile.problems import ProfileError

PROFILES = Path(__file__).parents[3] / "profiles"


def written(directory: Path, profile: str, mistakes: str) -> Path:
    shutil.copytree(PROFILES, directory, dirs_exist_ok=True)
    file = directory / f"{profile}.yaml"
    text = file.read_text()
    assert text.count("\nsimulation:\n") == 1
    file.write_text(
        text.replace("\nsimulation:\n", f"\nsimulation:\n  injected_faults: {mistakes}\n")
    )
    return file


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_every_mistake_can_be_made_in_every_rig(tmp_path, name):
    sound = rig_parameters(load_profile(name))
    whole = load_profile(written(tmp_path, name, f"[{', '.join(INJECTED_FAULTS)}]"))
    assert rig_parameters(whole).injected_faults == tuple(INJECTED_FAULTS)
    assert sound.injected_faults == ()
    for code in INJECTED_FAULTS:
        simulation = whole.simulation.model_copy(update={"injected_faults": (code,)})
        profile = whole.model_copy(update={"simulation": simulation})
        parameters = rig_parameters(profile)
        assert parameters.but({"injected_faults": ()}) != sound
        assert RigParameters.from_json(parameters.to_json()) == parameters
        drive = make_lockstep_drive(profile)
        drive.open()
        drive.read(0.0)
        drive.close()


def test_an_unknown_mistake_is_named_with_its_place_and_near_ones(tmp_path):
    file = written(tmp_path, "footplate_trainer", "[nut_jammed, spring_soft]")
    line = file.read_text().splitlines().index("  injected_faults: [nut_jammed, spring_soft]") + 1
    with pytest.raises(ProfileError) as caught:
        load_profile(file)
    (problem,) = caught.value.problems
    assert (Path(problem.file).name, problem.line) == ("footplate_trainer.yaml", line)
    assert problem.key == "simulation.injected_faults[1]"
    assert "'spring_soft' is not permitted" in problem.what
    assert "'springs_soft'" in problem.fix
