"""Session cap on the command line: units, ineffective options, and the record of the cap."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from hil.recorder import load_run

GENTLE = """\
name: gentle
profile: footplate_trainer
steps:
  - power_on
  - {do: hold_position, position: 8 mm, speed: 30 mm/s, for: 0.3 s}
  - power_off
"""


@pytest.fixture
def gentle(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "gentle.yaml"
    file.write_text(GENTLE)
    return file


def test_a_run_says_under_which_cap_it_was_made(
    gentle: Path, hookeline: Callable[..., Any]
) -> None:
    cap = ("--cap-force", "100 N", "--cap-speed", "20 mm/s")
    called = hookeline("perform", str(gentle), "--lockstep", "--out", "made", *cap)
    assert "session cap 100 N, 20 mm/s" in called.stdout
    [folder] = Path("made").glob("0001-*")
    meta = yaml.safe_load((folder / "run.yaml").read_text())
    assert meta["session_cap"] == {"force_N": 100.0, "speed_m_s": 0.02}
    speed = load_run(folder).column("nut_velocity_m_s")
    assert abs(speed).max() < 0.025


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--cap-force", "100"), "--cap-force: the unit is missing: write '100 N'"),
        (("--cap-speed", "50 N"), "--cap-speed: '50 N' is not a speed"),
        (("--cap-stiffness", "0 N/mm"), "--cap-stiffness 0 N/mm: not above zero"),
        (
            ("--cap-force", "100 N", "--link", "there"),
            "--cap-force: the bench of --link is already running",
        ),
    ],
)
def test_bad_caps_end_with_one_line(
    gentle: Path, hookeline: Callable[..., Any], options: tuple[str, ...], why: str
) -> None:
    called = hookeline("perform", str(gentle), "--out", "made", *options)
    assert called.returncode == 2
    assert why in called.stderr and called.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--open-house", "4711"), "--open-house: it is unlocked by 4 to 12 letters"),
        (("--open-house", "abc"), "--open-house: it is unlocked by 4 to 12 letters"),
        (("--attract",), "--attract goes with --open-house"),
    ],
)
def test_open_house_needs_letters(
    hookeline: Callable[..., Any], options: tuple[str, ...], why: str
) -> None:
    called = hookeline("demo", *options)
    assert called.returncode == 2
    assert why in called.stderr and called.stderr.count("\n") == 1


def test_a_cap_wider_than_the_profile_says_that_it_does_nothing(
    gentle: Path, hookeline: Callable[..., Any]
) -> None:
    called = hookeline("perform", str(gentle), "--lockstep", "--out", "made", "--cap-force", "9 kN")
    assert "--cap-force has no effect: the profile's own limit is narrower" in called.stdout
