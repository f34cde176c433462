"""Options without effect and numbers that are not valid are refused, not ignored."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ui import cli


@pytest.fixture(autouse=True)
def own_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DISPLAY", ":no-such-display")  # the refusal comes before a window opens


BENCH = ("bench", "--link", "nowhere")
PERFORM = ("perform", "demo", "--link", "nowhere")


@pytest.mark.parametrize(
    "arguments, option",
    [
        (("demo", "--lockstep", "--open-house", "abcd"), "open-house"),
        (("demo", "--headless", "--open-house", "abcd"), "open-house"),
        (("demo", "--seconds", "30"), "seconds"),
        ((*BENCH, "--log-wire"), "log-wire"),
        ((*BENCH, "--disturb", "faults.yaml"), "disturb"),
        ((*BENCH, "--unverified", "name"), "unverified"),
        ((*BENCH, "--reference-at-lower-end"), "reference-at-lower-end"),
        (("bench", "--profile", "footplate_trainer", "--keys", "k"), "keys"),
        ((*PERFORM, "--disturb", "faults.yaml"), "disturb"),
        ((*PERFORM, "--unverified"), "unverified"),
        (("perform", "demo", "--lockstep", "--keys", "k"), "keys"),
        (("reference", "--profile", "bench_slide", "--lockstep", "--keys", "k"), "keys"),
        (("measure", "--profile", "footplate_trainer", "--lockstep", "--try"), "try"),
        (("measure", "--profile", "footplate_trainer", "--lockstep", "--apply"), "apply"),
        (("runs", "list", "--tag", "x"), "tag"),
        (("runs", "show", "1", "--rate", "100"), "rate"),
    ],
)
def test_an_option_without_effect_is_refused(
    arguments: tuple[str, ...], option: str, capfd: Any
) -> None:
    assert cli.main(arguments) == 2
    said = capfd.readouterr().err
    assert said.startswith(f"hookeline: --{option} has no effect ") and "Fix: " in said


@pytest.mark.parametrize(
    "arguments",
    [
        ("demo", "--lockstep", "--seconds", "nan"),
        ("perform", "demo", "--lockstep", "--seconds", "inf"),
        ("host", "--seconds", "nan"),
        ("runs", "export", "1", "a.csv", "--from", "nan"),
    ],
)
def test_a_number_is_finite(arguments: tuple[str, ...], capfd: Any) -> None:
    assert cli.main(arguments) == 2
    assert "invalid number value" in capfd.readouterr().err


def test_a_folder_of_runs_that_was_named_must_exist(capfd: Any) -> None:
    assert cli.main(["runs", "--runs", "misspelt"]) == 2
    assert "--runs misspelt: no such directory; name one" in capfd.readouterr().err
    assert cli.main(["runs"]) == 0  # nothing is recorded yet
    assert "no runs in 'runs'" in capfd.readouterr().out


def test_only_an_export_takes_a_file(capfd: Any) -> None:
    assert cli.main(["runs", "show", "1", "a.csv"]) == 2
    assert "one word too many: 'a.csv'" in capfd.readouterr().err


def test_a_rig_host_that_does_not_run_is_not_reached(capfd: Any) -> None:
    assert cli.main(["perform", "demo", "--link", "nowhere"]) == 3
    assert "is the rig host running?" in capfd.readouterr().err


def test_a_licence_that_cannot_be_read_is_named_plainly(tmp_path: Path, capfd: Any) -> None:
    (tmp_path / "terms").write_bytes(b"\xe9")
    for name, why in (("none", "No such file or directory"), ("terms", "not UTF-8 text")):
        given = ["hand-over", "--profile", "footplate_trainer", "--out", "law", "--licence", name]
        assert cli.main(given) == 2
        assert f"--licence: '{name}': {why}. Fix: name a text file" in capfd.readouterr().err


def test_a_search_needs_a_word(capfd: Any) -> None:
    assert cli.main(["help", "--search", " "]) == 2
    assert "--search needs a word" in capfd.readouterr().err


def test_keys_are_read_before_a_bench_starts(capfd: Any) -> None:
    given = ["serve", "--profile", "footplate_trainer", "--tcp", "127.0.0.1:0", "--keys", "none"]
    assert cli.main(given) == 2
    said = capfd.readouterr().err
    assert "key file 'none/server.secret' cannot be read" in said and "Real-time" not in said


def test_other_files_are_named_as_what_they_are_not(tmp_path: Path, capfd: Any) -> None:
    (tmp_path / "notes").write_text("no package")
    (tmp_path / "folder").mkdir()
    for name, text in (("notes", "is not a zip file"), ("folder", "No such file or directory")):
        assert cli.main(["take-over", name, "--out", "out"]) == 2
        said = capfd.readouterr().err
        assert text in said and "Errno" not in said
    (tmp_path / "sheet").write_bytes(b"\xe9 \x00")
    (tmp_path / "other").write_text(json.dumps({}) + "\n}")
    for name, text in (("sheet", "is not JSON. Fix"), ("other", "is not JSON, line 2. Fix")):
        assert cli.main(["measure", "--compare", name, name]) == 2
        said = capfd.readouterr().err
        assert text in said and "codec" not in said and "char" not in said
