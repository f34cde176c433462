"""Help on a terminal of any width."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunWriter
from ui import cli


def printed(words: list[str], capsys: pytest.CaptureFixture[str]) -> list[str]:
    assert cli.main(words) == 0
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize("words", [[], ["runs"], ["demo"]])
def test_help_fits_a_narrow_terminal(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    lines = printed([*words, "--help"], capsys)
    long = [line for line in lines if len(line) > 60 and " " in line.strip()]
    assert long == []


def test_a_wrapped_line_of_a_table_goes_on_under_its_last_column(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    lines = printed(["runs", "--help"], capsys)
    at = lines.index("  list [WORDS]      all runs; with WORDS, those that match")
    assert lines[at + 1] == " " * 20 + "all of them (#tag: a tag)"


@pytest.mark.parametrize("columns", ["200", "96"])
def test_a_wide_terminal_changes_nothing(
    columns: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert max(map(len, printed(["runs", "--help"], capsys))) <= 96


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """Two runs, one with a name and a note that are longer than a line."""
    description = {"profile": profile_to_dict(load_profile("footplate_trainer"))}
    for name, note in (("short", ""), ("a very long name " * 3, "and a long note of it " * 4)):
        RunWriter(tmp_path, name, description, note=note).close("ended by a test")
    return tmp_path


@pytest.mark.parametrize("columns", [60, 96])
@pytest.mark.parametrize("command", ["check", "runs"])
def test_a_table_fits_the_terminal_and_loses_no_word(
    command: str,
    columns: int,
    runs: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["check", "two_axes"] if command == "check" else ["runs", "--runs", str(runs)]
    monkeypatch.delenv("COLUMNS", raising=False)
    whole = printed(words, capsys)
    assert max(map(len, whole)) > columns, "nothing to wrap"
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = printed(words, capsys)
    assert max(map(len, lines)) <= columns
    assert " ".join(lines).split() == " ".join(whole).split()
