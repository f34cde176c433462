"""Help on a terminal of any width."""

from __future__ import annotations

import pytest

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
