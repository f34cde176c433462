"""``hookeline endure``: options, and a count that survives a kill."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ui import cli
from ui.commands.answers import BAD_INPUT, OK

SHORT = """\
name: short
steps:
  - power_on
  - {do: hold_position, position: 6 mm, speed: 80 mm/s, for: 0.2 s}
  - power_off
"""


@pytest.fixture
def sequence(tmp_path: Path) -> Path:
    file = tmp_path / "short.yaml"
    file.write_text(SHORT)
    return file


def arguments(sequence: Path, *more: str) -> list[str]:
    out = sequence.parent / "out"
    rig = ["--profile", "footplate_trainer", "--lockstep", "--out", str(out)]
    return ["endure", str(sequence), *rig, *more]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "name the goal"),
        (["--cycles", "0"], "--cycles 0: at least 1"),
        (["--time", "8"], "--time 8: "),
        (["--until", "supply"], "--above or --below"),
        (["--cycles", "9", "--above", "3 V"], "belong to --until"),
        (["--until", "supply", "--above", "3 N"], "--above 3 N"),
        (["--cycles", "9", "--rest-above", "30"], "--rest-above 30"),
        (["--cycles", "9", "--spring-range", "9 N"], "belong together"),
        (["--cycles", "9", "--screw-rating", "-9 N"], "--screw-rating: must be above 0 N"),
        (["--cycles", "9", "--set", "height"], "--set height"),
    ],
)
def test_an_option_that_means_nothing_is_refused(
    sequence: Path, options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(arguments(sequence, *options)) == BAD_INPUT
    assert said in capsys.readouterr().err
    assert not (sequence.parent / "out").exists()


def test_the_count_survives_a_kill(sequence: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = sequence.parent / "out" / "journal.jsonl"
    program = [sys.executable, "-m", "ui.cli", *arguments(sequence, "--cycles", "1000")]
    process = subprocess.Popen(program, stdout=subprocess.DEVNULL)
    try:
        while not journal.exists() or journal.read_bytes().count(b'"cycles"') < 3:
            assert process.poll() is None
            time.sleep(0.05)
    finally:
        process.kill()
        process.wait()
    counted = journal.read_bytes().count(b'"kind":"cycles"')
    assert cli.main(arguments(sequence, "--cycles", "2")) == BAD_INPUT
    assert "--go-on continues its count" in capsys.readouterr().err
    more = ["--cycles", str(counted + 1), "--go-on", "--json"]
    assert cli.main(arguments(sequence, *more)) == OK
    data = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert data["ended"] == "count" and data["cycles"] == counted + 1
    assert "Starts" in (sequence.parent / "out" / "summary.html").read_text()
    # The count does not continue with another sequence.
    sequence.write_text(SHORT.replace("6 mm", "7 mm"))
    assert cli.main(arguments(sequence, *more)) == BAD_INPUT
    assert "belongs to another steps" in capsys.readouterr().err
