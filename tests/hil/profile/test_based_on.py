"""A profile that states only its differences from another."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, examine_profile, load_profile
from hil.profile.write_back import write_back

FOOTPLATE = load_profile("footplate_trainer")


def based(directory: Path, text: str, base: str = "footplate_trainer.yaml") -> Path:
    file = directory / "rig.yaml"
    file.write_text(f"based_on: {base}\nname: other\n{text}")
    return file


def test_what_is_not_written_is_the_bases(tmp_path: Path) -> None:
    profile = load_profile(based(tmp_path, "control: {rate: 500 Hz}\nstop: {category: 1}\n"))
    assert profile.name == "other"
    assert profile.control.rate == 500
    assert profile.control.force_bandwidth == FOOTPLATE.control.force_bandwidth
    assert profile.stop.load == FOOTPLATE.stop.load
    assert profile.actuator == FOOTPLATE.actuator and profile.drive == FOOTPLATE.drive


def test_a_part_with_a_kind_of_its_own_replaces_the_bases(tmp_path: Path) -> None:
    rig = "rig: {kind: linear, carriage_mass: 6 kg, vertical: true, weights: [2 kg]}\n"
    examined = examine_profile(based(tmp_path, rig))
    # The base's lever is replaced entirely: its keys would be unknown in the new rig.
    assert not any("unknown" in problem.what for problem in examined.problems)
    actuator = (SHIPPED / "actuators" / "footplate.yaml").read_text()
    (tmp_path / "mine.yaml").write_text(actuator.replace("stroke:", "strike:"))
    examined = examine_profile(based(tmp_path, "actuator: mine.yaml\n"))
    # The base's stroke does not fill in for keys that the named file lacks.
    assert {p.key for p in examined.errors} >= {"actuator.stroke", "actuator.strike"}


@pytest.mark.parametrize(
    ("text", "key", "file", "line"),
    [
        ("control: {rate: 500}\n", "control.rate", "rig.yaml", 3),
        ("limits:\n  speed: {limited: 900 mm/s}\n", "limits.speed.limited", "rig.yaml", 4),
        ("control: {raet: 500 Hz}\n", "control.raet", "rig.yaml", 3),
    ],
)
def test_a_mistake_is_placed_in_the_file_that_makes_it(tmp_path, text, key, file, line):
    (error, *_) = examine_profile(based(tmp_path, text)).errors
    assert (error.key, Path(error.file).name, error.line) == (key, file, line)


def test_a_mistake_of_the_base_is_placed_there(tmp_path: Path) -> None:
    text = (SHIPPED / "footplate_trainer.yaml").read_text()
    (tmp_path / "base.yaml").write_text(text.replace("rate: 1000 Hz", "rate: 1000 N"))
    wanted = text.splitlines().index("  rate: 1000 Hz") + 1
    (error,) = examine_profile(based(tmp_path, "", "base.yaml")).errors
    assert (Path(error.file).name, error.line) == ("base.yaml", wanted)


@pytest.mark.parametrize("base", ["rig.yaml", "no_such.yaml", "7"])
def test_a_base_that_is_none_is_refused(tmp_path: Path, base: str) -> None:
    (error,) = examine_profile(based(tmp_path, "", base)).errors
    assert error.key == "based_on" and error.line == 1 and error.fix


def test_a_value_is_written_into_the_file_that_differs(tmp_path: Path) -> None:
    file = based(tmp_path, "")
    write_back(file, {"actuator.screw.lead": "9 mm", "control.rate": "800 Hz"})
    profile = load_profile(file)
    assert profile.actuator.screw.lead == pytest.approx(0.009)
    assert profile.actuator.motor == FOOTPLATE.actuator.motor
    assert profile.control.rate == 800
