"""``hookeline hand-over``: its refusals; tests/hil/handover tests the package itself."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from hil.bench import LockstepBench, drive_facts
from hil.bringup import STEPS, BringUpRecord
from hil.control import safety_fingerprint
from hil.profile import Profile, load_profile
from ui import cli


@pytest.mark.parametrize(
    ("profile", "part"),
    [("footplate_trainer", "already exists"), ("footplate_traner", "did you mean")],
)
def test_a_refusal_is_one_line_and_writes_nothing(
    profile: str, part: str, tmp_path: Path, capfd: Any
) -> None:
    kept = tmp_path / "law" / "kept.txt"
    kept.parent.mkdir()
    kept.write_text("mine")
    assert cli.main(("hand-over", "--profile", profile, "--out", str(kept.parent))) == 2
    err = capfd.readouterr().err
    assert part in err and "Traceback" not in err
    assert list(kept.parent.iterdir()) == [kept] and kept.read_text() == "mine"


def test_a_data_sheet_of_another_rig_is_refused(tmp_path: Path, capfd: Any) -> None:
    sheet = {"data_sheet": 1, "profile_fingerprint": "another", "figures": []}
    (tmp_path / "data_sheet.json").write_text(json.dumps(sheet))
    words = ("hand-over", "--profile", "footplate_trainer", "--out", str(tmp_path / "law"))
    assert cli.main((*words, "--data-sheet", str(tmp_path))) == 2
    assert "another state of the profile" in capfd.readouterr().err
    assert cli.main((*words, "--data-sheet", str(tmp_path / "none"))) == 2
    assert "Fix:" in capfd.readouterr().err
    assert not (tmp_path / "law").exists()


def test_a_data_sheet_goes_with_the_package(tmp_path: Path) -> None:
    profile = load_profile("footplate_trainer")
    own = safety_fingerprint(profile)
    sheet = {"data_sheet": 1, "profile_fingerprint": own, "figures": []}
    (tmp_path / "data_sheet.json").write_text(json.dumps(sheet))
    (tmp_path / "data_sheet.html").write_bytes(b"<p>\xc3\xa4\xff</p>")
    words = ("hand-over", "--profile", "footplate_trainer", "--out", str(tmp_path / "law"))
    assert cli.main((*words, "--data-sheet", str(tmp_path))) == 0
    beside = tmp_path / "law" / "data_sheet"
    assert (beside / "data_sheet.html").read_bytes() == b"<p>\xc3\xa4\xff</p>"
    assert json.loads((beside / "data_sheet.json").read_text()) == sheet


def record_of(profile: Profile, folder: Path) -> Path:
    """Return a bring-up record that has just begun."""
    capabilities = LockstepBench(profile).drive.capabilities
    facts = drive_facts(dataclasses.replace(capabilities, identity="board 7"), profile)
    BringUpRecord.begin(folder, profile, "footplate_trainer", facts, STEPS, True).close()
    return folder


def test_a_record_and_a_licence_go_with_the_package(tmp_path: Path) -> None:
    profile = load_profile("footplate_trainer")
    record = record_of(profile, tmp_path / "record")
    (tmp_path / "licence.txt").write_text("For use in our own leg.\n")
    words = ["hand-over", "--profile", "footplate_trainer", "--out", str(tmp_path / "law")]
    words += ["--bring-up", str(record), "--licence", str(tmp_path / "licence.txt")]
    assert cli.main(words) == 0
    data = json.loads((tmp_path / "law" / "law.json").read_text())
    assert data["licence_of_use"] == "For use in our own leg."
    assert [entry["step"] for entry in data["verified"]["steps"]] == [step.key for step in STEPS]
    assert {entry["verdict"] for entry in data["verified"]["steps"]} == {"not run"}
    assert data["drive"]["identity"] == data["verified"]["drive"] == "board 7"
    kept = tmp_path / "law" / "bring_up" / "bringup.yaml"
    assert kept.read_bytes() == (record / "bringup.yaml").read_bytes()
    assert "bring_up/bringup.yaml" in data["fingerprints"]


def test_a_record_of_another_rig_and_an_empty_licence_are_refused(
    tmp_path: Path, capfd: Any
) -> None:
    record = record_of(load_profile("bench_slide"), tmp_path / "record")
    (tmp_path / "licence.txt").write_text(" ")
    words = ("hand-over", "--profile", "footplate_trainer", "--out", str(tmp_path / "law"))
    for more, part in (
        (("--bring-up", str(record)), "another state of the profile"),
        (("--bring-up", str(tmp_path / "none")), "holds no bring-up record"),
        (("--recording", str(tmp_path / "none")), "none"),
        (("--licence", str(tmp_path / "licence.txt")), "is empty. Fix:"),
        (("--licence", str(tmp_path / "none.txt")), "No such file"),
    ):
        assert cli.main((*words, *more)) == 2
        assert part in capfd.readouterr().err
    assert not (tmp_path / "law").exists()
