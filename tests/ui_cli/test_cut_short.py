"""A command cut short: by Ctrl-C while it loads, or by a full disk."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from ui import cli
from ui.commands.answers import FAILED, explain_error

# Loading takes a second or more: Ctrl-C arrives at the import of the named module.
LOADS = """
import importlib.abc, os, signal, sys

class Interrupt(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == {name!r}:
            os.kill(os.getpid(), signal.SIGINT)

signal.signal(signal.SIGINT, signal.default_int_handler)
from ui.cli import main
sys.meta_path.insert(0, Interrupt())
sys.exit(main(["check", "footplate_trainer"]))
"""


@pytest.mark.parametrize("name", ["ui.commands.answers", "hil.host", "ui.commands.check"])
def test_ctrl_c_while_it_loads_ends_in_one_line(name: str) -> None:
    given = [sys.executable, "-c", LOADS.format(name=name)]
    ended = subprocess.run(given, capture_output=True, text=True, timeout=60, check=False)
    assert (ended.returncode, ended.stderr, ended.stdout) == (130, "hookeline: interrupted\n", "")


def test_a_full_disk_is_no_error_of_the_program() -> None:
    error = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # as from a write, without a file name
    lines, code = explain_error(error)
    assert code == FAILED
    assert lines == ["No space left on device; check the disk, its permissions and the space left"]


@pytest.mark.parametrize("encoding", ["latin-1", "ascii"])
def test_a_terminal_without_utf_8_gets_what_it_can_show(encoding: str) -> None:
    given = [sys.executable, "-m", "ui.cli", "help", "following", "--json"]
    settings = {**os.environ, "PYTHONIOENCODING": encoding}
    ended = subprocess.run(given, capture_output=True, env=settings, timeout=60, check=False)
    people, programs = ended.stderr.decode(encoding), ended.stdout.decode(encoding)
    assert ended.returncode == 0, people
    assert "(2??bandwidth)" in people.replace("·", "?")
    assert "(2π·bandwidth)" in json.loads(programs)["text"]


@pytest.mark.parametrize("out", ["taken", "taken/within"])
def test_no_calibration_begins_that_cannot_be_kept(
    out: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: Any
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "taken").write_text("a file")
    given = ["calibrate", "--profile", "footplate_trainer", "--lockstep", "--out", out]
    assert cli.main(given) == 2
    said = capfd.readouterr()
    assert "cannot be written to: Not a directory. Fix: name another folder" in said.err
    assert "series 1" not in said.out
