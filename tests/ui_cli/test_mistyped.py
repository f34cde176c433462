"""A mistyped command line gets one line with the fix, for people and for programs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.ui_cli.answers_read import last_object
from tests.ui_cli.conftest import Called
from ui import cli


@pytest.fixture(autouse=True)
def own_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    "arguments, text",
    [
        (("dmo",), "no command 'dmo'; did you mean 'demo'?"),
        (("demo", "--sconds", "3"), "demo has no option '--sconds'; did you mean '--seconds'?"),
        (("bnch",), "no command 'bnch'; did you mean 'bench'?"),
        (("xyzzy",), "no command 'xyzzy'; 'hookeline --help' lists the commands"),
        (("check", "--prots"), "check has no option '--prots'; did you mean '--ports'?"),
        (("check", "--xyzzy"), "check has no option '--xyzzy'; 'hookeline check --help' lists"),
        (("health", "--runz=x"), "health has no option '--runz'; did you mean '--runs'?"),
        (("health", "mine"), "health: one word too many: 'mine'"),
        (("--runs", "health"), "'--runs' is before the command. Fix: hookeline health --runs"),
    ],
)
def test_one_line_names_what_was_probably_meant(
    arguments: tuple[str, ...], text: str, capfd: Any
) -> None:
    assert cli.main([*arguments, "--json"]) == 2
    said = capfd.readouterr()
    assert said.err.startswith(f"hookeline: {text}") and len(said.err.splitlines()) == 1
    assert last_object(said.out)["error"].startswith(text)


def test_a_link_over_the_network_without_keys_is_a_usage_error(
    hookeline: Callable[..., Called],
) -> None:
    called = hookeline("perform", "demo", "--link", "tcp://127.0.0.1:5555")
    assert called.returncode == 2 and "always encrypted" in called.stderr
