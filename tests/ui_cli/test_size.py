"""``hookeline size``: output, drawings and files; the written profile runs on the simulated rig."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ui import cli


@pytest.fixture(autouse=True)
def own_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_choice_becomes_a_profile_that_the_demo_runs(capfd: Any) -> None:
    arguments = ("--write-profile", "p.yaml", "--plot", "p.png", "--sensitivity", "--json")
    code = cli.main(("size", "footplate", *arguments))
    out, err = capfd.readouterr()
    assert code == 0
    data = json.loads(out.splitlines()[-1])
    assert data["invented_parts"] and data["chosen"]["met"]
    assert len(data["combinations"]) == 27
    assert {chart["title"] for chart in data["charts"]} == {
        "Force over speed",
        "Force over frequency",
    }
    assert all(figure["met"] for figure in data["chosen"]["figures"])
    assert data["sensitivity"] and "all invented" in err
    assert Path("p.png").read_bytes().startswith(b"\x89PNG")
    assert cli.main(("check", "p.yaml")) == 0
    assert (
        cli.main(("demo", "--profile", "p.yaml", "--lockstep", "--seconds", "18", "--out", "r"))
        == 0
    )
    out, _ = capfd.readouterr()
    assert out.count("; good") == 3
    # An existing file is not overwritten.
    before = Path("p.yaml").read_bytes()
    assert cli.main(("size", "footplate", "--write-profile", "p.yaml")) == 2
    assert "already exists" in capfd.readouterr().err
    assert Path("p.yaml").read_bytes() == before


def test_a_choice_that_misses_a_requirement_is_exit_code_1(capfd: Any) -> None:
    assert cli.main(("size", "footplate", "--choose", "M1/S4/K30", "--json")) == 1
    data = json.loads(capfd.readouterr().out.splitlines()[-1])
    assert "touch_stiffness_N_per_mm" in data["chosen"]["missed"]


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (("nothing",), "no such file"),
        (("footplate", "--parts", "nothing.yaml"), "no such file"),
        (("footplate", "--choose", "M2/S10/K6"), "did you mean 'M2/S10/K60'"),
        (("footplate", "--plot", "p.xyz"), "end the name in .png"),
    ],
)
def test_wrong_input_is_one_line_and_exit_code_2(
    arguments: tuple[str, ...], part: str, capfd: Any
) -> None:
    assert cli.main(("size", *arguments)) == 2
    err = capfd.readouterr().err
    assert part in err and "Traceback" not in err
