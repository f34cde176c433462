"""Signs of wear over weeks of runs: which change, since when, and which runs show it."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest

from hil.core import COLUMNS, INDEX, State
from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunWriter
from hil.wear import History, signs_of

PROFILE = profile_to_dict(load_profile("footplate_trainer"))
ROWS = 600
FIRST = datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC)


def rows_of(seed: int, friction_N: float, stiffness_N_m: float = 120e3) -> np.ndarray:
    """Return rows of a motion back and forth that stretches the springs, after a rest."""
    rng = np.random.default_rng(seed)
    rows = np.zeros((2 * ROWS, len(COLUMNS)))
    at = {name: rows[:, column] for name, column in INDEX.items()}
    time = np.arange(2 * ROWS) * 0.001
    at["time_s"][:] = time
    at["cycle"][:] = np.arange(2 * ROWS)
    moves = slice(ROWS, None)
    at["state"][moves] = State.RUNNING
    at["nut_velocity_m_s"][moves] = 0.05 * np.sin(2 * np.pi * 5 * time[moves])
    at["nut_position_m"][:] = np.cumsum(at["nut_velocity_m_s"]) * 0.001
    deflection = 1e-3 * np.sin(2 * np.pi * 7 * time)
    at["deflection_m"][:] = deflection
    at["deflection_counts"][:] = 2048.0 + np.round(rng.normal(0.0, 0.6, 2 * ROWS))
    way = np.sign(at["nut_velocity_m_s"])
    force = stiffness_N_m * deflection + friction_N * way + rng.normal(0.0, 3.0, 2 * ROWS)
    at["motor_force_N"][:] = force
    return rows


def record(runs: Path, number: int, rows: np.ndarray) -> Path:
    started = (FIRST + datetime.timedelta(days=number)).isoformat(timespec="milliseconds")
    meta = {"profile": PROFILE, "rate_hz": 1000.0, "simulated": True, "drive": "made up"}
    with RunWriter(runs, "cycle", meta, started=started) as writer:
        writer.rows(rows)
        return writer.close("finished")


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record runs whose friction grows from 22 March on."""
    runs = tmp_path_factory.mktemp("weeks")
    for number in range(32):
        record(runs, number, rows_of(number, 2.0 + 0.6 * max(0, number - 20)))
    return runs


def test_signs_are_those_of_the_motion() -> None:
    signs = signs_of(rows_of(1, 5.0, 90e3))
    assert signs.friction_N == pytest.approx(5.0, abs=0.5)
    assert signs.stiffness_N_m == pytest.approx(90e3, rel=0.01)
    assert signs.noise_counts == pytest.approx(0.66, abs=0.1)
    still = rows_of(1, 5.0)
    still[:, INDEX["nut_velocity_m_s"]] = np.abs(still[:, INDEX["nut_velocity_m_s"]])
    assert "friction_N" not in signs_of(still).as_data()  # motion one way shows none


def test_a_change_is_reported_with_its_date_and_its_runs(weeks: Path) -> None:
    history = History(weeks)
    assert history.scan() == []
    [finding] = history.findings()
    assert finding.sign == "friction_N" and finding.change.kind == "drift"
    assert finding.since.started[:10] in {f"2026-03-{day}" for day in range(21, 25)}
    assert finding.runs[-1].startswith("0032") and len(finding.runs) >= 8
    assert "friction: 2" in finding.text and finding.since.run in finding.text
    assert finding.actuator == "footplate trainer · made up"


def test_a_run_is_read_once_and_forgotten_when_it_is_gone(
    weeks: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    for number in range(2):
        record(runs, number, rows_of(number, 2.0))
    history = History(runs)
    history.scan()
    history.save()
    read: list[str] = []
    again = History(runs)
    assert again.entries == history.entries and again.trouble == ""
    again.scan(read.append)
    assert read == []
    for file in (runs / "0001-cycle").iterdir():
        file.unlink()
    again.scan(read.append)
    assert list(again.entries) == ["0002-cycle"]


def test_runs_kept_before_a_sign_was_known_are_computed_again(
    weeks: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    for number in range(3):
        record(runs, number, rows_of(number, 2.0))
    history = History(runs)
    history.scan()
    history.save()
    whole = json.loads((runs / "wear.json").read_text())
    older = json.loads(json.dumps(whole))
    for number, kept in enumerate(older["runs"].values()):
        if number < 2:
            del kept["signs_form"], kept["signs"]["stiffness_N_m"]
    (runs / "wear.json").write_text(json.dumps(older))
    assert History(runs).outdated == ["0001-cycle", "0002-cycle"]
    (runs / "0002-cycle" / "samples.parquet").write_bytes(b"damaged")
    from ui import cli

    assert cli.main(["health", "--runs", str(runs)]) == 0
    said = capsys.readouterr()
    assert "2 cached runs lack newer signs" in said.out + said.err
    assert "not read: 0002-cycle" in said.out + said.err
    again = json.loads((runs / "wear.json").read_text())["runs"]
    assert again["0001-cycle"] == whole["runs"]["0001-cycle"]
    # Earlier signs of a run damaged since are kept, and the run is still reported as incomplete.
    assert again["0002-cycle"] == older["runs"]["0002-cycle"] | {"signs_form": 1}


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"form": 1, "runs": {"a": 1}}', "[" * 9000, '{"form": 1, "runs": []}']
)
def test_a_damaged_file_is_taken_anew(tmp_path: Path, text: str) -> None:
    record(tmp_path, 0, rows_of(0, 2.0))
    (tmp_path / "wear.json").write_text(text)
    history = History(tmp_path)
    assert "damaged" in history.trouble
    history.scan()
    history.save()
    assert json.loads((tmp_path / "wear.json").read_text())["form"] == 1
    assert list(History(tmp_path).entries) == ["0001-cycle"]


def test_the_command_says_what_changed(weeks: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ui import cli

    assert cli.main(["health", "--runs", str(weeks)]) == 1
    said = capsys.readouterr().out
    assert "CHANGED friction" in said and "shown by" in said
    assert cli.main(["health", "--runs", str(weeks / "nowhere")]) == 2
    assert "no such directory" in capsys.readouterr().err
