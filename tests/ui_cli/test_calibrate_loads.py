"""``hookeline calibrate --loads``: on the simulated rig in lockstep, and refusals."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hil.calibration.calibration_file import load_calibration
from hil.profile.loader import SHIPPED
from tests.ui_cli.answers_read import called

ON_RIG = ("calibrate", "--profile", "footplate_trainer", "--lockstep")
BY_CELL = (*ON_RIG, "--loads", "cell")


def test_a_calibration_by_load_cell(tmp_path: Path, capfd: Any) -> None:
    code, data, told = called(
        capfd,
        *BY_CELL,
        "--cell-u",
        "0.2 %",
        "--forces",
        "100,280,400N,500",
        "--series",
        "1",
        "--out",
        str(tmp_path),
    )
    assert code == 0 and data["acceptable"], told
    assert data["loads"] == "cell" and data["points"] == 9
    assert "series 1 of 1, loads rising: Mount the load cell" in told
    assert "press 280 N" in told and "Hang" not in told
    file = load_calibration(data["file"])
    assert file.content.conditions["loads"] == "reference load cell"
    assert file.content.accuracy == {"cell": 0.002, "cell_N": 0.0}
    # The uncertainty is not better than the cell's own.
    assert file.law.u95(500.0) > 2 * 0.002 * 500.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (BY_CELL, "--loads cell needs --cell-u, the cell's standard uncertainty (half of"),
        ((*BY_CELL, "--cell-u", "0.2"), "write a number above 0 with its unit, such as '0.1 %'"),
        ((*BY_CELL, "--cell-u", "-1 N"), "write a number above 0 with its unit"),
        ((*BY_CELL, "--cell-u", "20 %"), "a cell known no better than 5 % is not a reference"),
        ((*BY_CELL, "--cell-u", "1 N", "--weights", "5"), "--weights: no weights hang with"),
        ((*BY_CELL, "--cell-u", "1 N", "--gravity", "9.81"), "--gravity: no weights hang with"),
        ((*BY_CELL, "--cell-u", "1 N", "--forces", "100,600"), "600 N is more than 563 N"),
        ((*BY_CELL, "--cell-u", "1 N", "--forces=-100"), "--pull adds the same ones pulling"),
        ((*BY_CELL, "--cell-u", "1 N", "--forces", "a"), "write forces in N with commas between"),
        ((*ON_RIG, "--pull"), "--pull belongs to --loads cell"),
        ((*ON_RIG, "--cell-u", "1 N"), "--cell-u belongs to --loads cell"),
        ((*ON_RIG, "--loads", "rod"), "hang them on the lever (--loads lever)"),
        ((*ON_RIG, "--loads", "pan"), "invalid choice: 'pan'"),
    ],
)
def test_what_is_refused_before_anything_moves(
    arguments: tuple[str, ...], words: str, capfd: Any
) -> None:
    code, _, told = called(capfd, *arguments)
    assert code == 2
    assert words in " ".join(told.split())


def test_a_level_rig_is_reported_of_the_load_cell(tmp_path: Path, capfd: Any) -> None:
    text = (SHIPPED / "bench_slide.yaml").read_text()
    (tmp_path / "level.yaml").write_text(text.replace("vertical: true", "vertical: false"))
    code, _, told = called(
        capfd, "calibrate", "--profile", str(tmp_path / "level.yaml"), "--lockstep"
    )
    assert code == 2
    assert "press on a reference load cell (--loads cell --cell-u ...)" in " ".join(told.split())
