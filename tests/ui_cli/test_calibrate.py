"""``hookeline calibrate``: on a simulated rig in lockstep, and with calibrations on file."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
import yaml

from hil.calibration.calibration_file import check_samples, load_calibration
from hil.host.start import BenchOptions, start_bench
from hil.link.client import Client
from hil.profile.loader import SHIPPED, load_profile
from hil.profile.schema import TwoSlopes
from tests.ui_cli.answers_read import called
from ui import cli

RIG = "rig/mine.yaml"


@pytest.fixture(scope="module")
def bench_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a user's profile with one accepted calibration beside it."""
    folder = tmp_path_factory.mktemp("bench")
    (folder / "rig").mkdir()
    shutil.copy(SHIPPED / "footplate_trainer.yaml", folder / RIG)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        code = cli.main(
            [
                "calibrate",
                "--profile",
                RIG,
                "--lockstep",
                "--series",
                "1",
                "--weights",
                "2.5,5,7.5",
                "--note",
                "after the first hundred hours",
                "--room",
                "21.5",
                "--accept",
                "--json",
            ]
        )
    assert code == 0
    return folder


@pytest.fixture
def here(bench_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(bench_folder)
    return bench_folder


def only_file(folder: Path) -> Path:
    [file] = (folder / "rig" / "calibrations").glob("*.yaml")
    return file


def test_a_rig_is_calibrated_and_its_profile_says_by_what(here: Path, capfd: Any) -> None:
    profile = load_profile(RIG)
    file = load_calibration(only_file(here), profile)
    check_samples(file)
    assert profile.calibration == file.calibration
    assert file.content.note == "after the first hundred hours"
    assert file.content.conditions["room_degC"] == 21.5 and file.content.simulated
    # The simulated rig's springs: two sets of 60 N/mm, with the knee at 3 mm of preload.
    law = file.calibration.spring_law
    assert isinstance(law, TwoSlopes)
    assert law.knee == pytest.approx(3e-3, abs=1e-4)
    assert law.inner_rate == pytest.approx(120e3, rel=0.02)
    assert law.outer_rate == pytest.approx(60e3, rel=0.03)
    assert 0.5 < file.largest_u95_N < 8.0
    assert (file.path.with_suffix(".html")).read_text().count("<svg") >= 4
    assert len(list((here / "rig").glob("mine.yaml.before-*"))) == 1
    code, data, err = called(capfd, "check", RIG)
    assert code == 0 and data["warnings"] == [] and "Calibration" in err
    assert file.identity in " ".join(err.split())


def test_list_compare_and_use(here: Path, capfd: Any) -> None:
    file = load_calibration(only_file(here))
    code, data, err = called(capfd, "calibrate", "--list", "--profile", RIG)
    [row] = data["calibrations"]
    assert code == 0 and row["active"] and row["problem"] is None
    assert row["identity"] == file.identity and "after the first hundred hours" in err
    code, data, err = called(capfd, "calibrate", "--compare", *[str(file.path)] * 2)
    assert code == 0 and data["agree"] and data["apart"] < 1e-6 and "agree" in err
    # Another profile of the same rig.
    shutil.copy(SHIPPED / "footplate_trainer.yaml", "second.yaml")
    use = ("calibrate", "--use", str(file.path))
    code, data, _ = called(capfd, *use, "--profile", "second.yaml")
    assert code == 0 and data["identity"] == file.identity
    assert [Path(written).name for written in data["written"]] == ["second.yaml"]
    assert load_profile("second.yaml").calibration == file.calibration


@pytest.mark.real_time
def test_a_running_bench_takes_it(here: Path, capfd: Any) -> None:
    file = only_file(here)
    with start_bench(
        "footplate_trainer", BenchOptions(runs_directory=here, recorder=False)
    ) as bench:
        link = str(bench.link_directory)
        code, data, err = called(capfd, "calibrate", "--use", str(file), "--link", link)
        assert code == 0 and data["bench"] and data["written"] == [], err
        # A client that connects from now on receives it.
        with Client.connect(link, name="later") as client:
            told = client.description["profile"]["calibration"]
        assert told == load_calibration(file).part
    code, data, err = called(capfd, "calibrate", "--use", str(file), "--link", link)
    assert code == 3 and len(err.splitlines()) == 1 and data["exit_code"] == 3


def test_an_old_one_and_one_with_a_mistake_are_named(here: Path, capfd: Any) -> None:
    (here / "other").mkdir(exist_ok=True)
    text = only_file(here).read_text()
    (here / "other" / "a.yaml").write_text(text.replace("hundred", "thousand"))
    code, data, _ = called(capfd, "calibrate", "--list", "other")
    assert code == 0 and "was changed after" in data["calibrations"][0]["problem"]
    shutil.copy(RIG, "old.yaml")
    dated = load_profile(RIG).calibration.dated
    Path("old.yaml").write_text(Path("old.yaml").read_text().replace(dated, "2019-05-05"))
    code, data, _ = called(capfd, "check", "old.yaml")
    assert code == 0
    [warning] = data["warnings"]
    assert "old" in warning["what"] and "calibrate again" in warning["fix"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "choose one: --profile P (a rig), --points FILE.csv (a table), --list"),
        (["--points", "a.csv", "--list"], "--points and --list exclude each other"),
        (["--points", "a.csv", "--profile", RIG], "needs no rig"),
        (["--profile", RIG, "--at", "3"], "belong to --points"),
        (["--profile", RIG, "--link", "x"], "belongs to --use"),
        (["--profile", RIG], "not a terminal"),
        (["--profile", "none.yaml", "--lockstep"], "no such file"),
        (["--profile", RIG, "--lockstep", "--series", "0"], "--series 0"),
        (["--profile", RIG, "--lockstep", "--gravity", "9810"], "9.76 to 9.84"),
        (["--use", "none.yaml"], "name the target"),
        (["--use", "none.yaml", "--profile", RIG], "no such file"),
        (["--use", "FILE", "--profile", "bench_slide"], "not of 'bench slide'"),
        (["--use", "FILE", "--profile", "footplate_trainer"], "ships with the program"),
        (["--compare", "FILE", "none.yaml"], "no such file"),
        (["--list", "nowhere"], "cannot be read"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_2(
    arguments: list[str], words: str, here: Path, capfd: Any
) -> None:
    given = [str(only_file(here)) if word == "FILE" else word for word in arguments]
    code, data, err = called(capfd, "calibrate", *given)
    assert code == 2 and data["exit_code"] == 2
    [line] = err.splitlines()
    assert line.startswith("hookeline: ") and words in line


@pytest.mark.parametrize("weights", ["2.5,x", "0,5", "-1", "inf", ""])
def test_weights_that_are_none_are_wrong_usage(weights: str, here: Path, capfd: Any) -> None:
    rig = ("calibrate", "--profile", RIG, "--lockstep")
    code, _, err = called(capfd, *rig, f"--weights={weights}")
    assert code == 2 and "argument --weights" in err and "mass" in err


def test_kilograms_typed_for_newtons_move_nothing(here: Path, capfd: Any) -> None:
    code, data, err = called(
        capfd, "calibrate", "--profile", RIG, "--lockstep", "--weights", "25,50"
    )
    assert code == 1 and data["ended"] == "failed" and not data["acceptable"]
    assert "kilograms" in err and data["file"] is None
    assert (
        yaml.safe_load(only_file(here).read_text())["schema_version"] == 2
    )  # no new file was kept


def test_a_real_rig_wants_a_person(here: Path, capfd: Any) -> None:
    real = (SHIPPED / "footplate_trainer.yaml").read_text().split("\nsimulation:")[0] + "\n"
    Path("real.yaml").write_text(real)
    for option in ("--lockstep", "--simulated-operator", "--varied"):
        code, _, err = called(capfd, "calibrate", "--profile", "real.yaml", option)
        assert code == 2 and "a person must be" in err
