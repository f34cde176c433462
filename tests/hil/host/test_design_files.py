"""Files of kept designs: private, few, and never a reason not to start."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from hil.host import design_files
from hil.host.design_files import DesignFiles


def test_a_text_is_found_again_and_its_file_is_private(tmp_path):
    DesignFiles(tmp_path / "designs").put("key", "text")
    files = DesignFiles(tmp_path / "designs")
    assert files.get("key") == "text" and files.get("other") is None
    (file,) = (tmp_path / "designs").iterdir()
    assert file.stat().st_mode & 0o777 == 0o600
    file.chmod(0o666)  # another user may have written it
    assert files.get("key") is None
    file.write_bytes(b"\xff\xfe")
    file.chmod(0o600)
    assert files.get("key") is None


def test_without_a_private_directory_nothing_is_kept(tmp_path):
    open_to_all = tmp_path / "designs"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    files = DesignFiles(open_to_all)
    files.put("key", "text")
    assert files.get("key") is None and not list(open_to_all.iterdir())


def test_a_disk_that_takes_nothing_is_no_error(tmp_path):
    files = DesignFiles(tmp_path / "designs")
    (tmp_path / "designs").rmdir()
    files.put("key", "text")
    assert files.get("key") is None


def test_the_oldest_files_are_removed(tmp_path, monkeypatch):
    monkeypatch.setattr(design_files, "MOST_FILES", 3)
    files = DesignFiles(tmp_path / "designs")
    for number in range(5):
        files.put(str(number), "text")
        os.utime(tmp_path / "designs" / f"{number}.json", (number, number))
    left = sorted(file.name for file in (tmp_path / "designs").iterdir())
    assert left == ["2.json", "3.json", "4.json"]


START = """
import json, sys
from types import SimpleNamespace
from pathlib import Path
from hil.control import force_design
from hil.host.host_process import Opened, Prepared, load, open_host, parser
from hil.host.realtime import RealtimeGrant
designed = []
solve = force_design.design_for_plants
force_design.design_for_plants = lambda *given: designed.append(1) or solve(*given)
options = parser().parse_args(["--profile", "footplate_trainer", "--link", sys.argv[1]])
opened = Opened()
loaded = load(options, opened)
from hil.profile.devices import make_lockstep_drive
drive = opened.drive = make_lockstep_drive(loaded.profile, 1)
drive.open()
loaded = type(loaded)(loaded.profile, loaded.verified, drive)
prepared = Prepared(RealtimeGrant(False, "", ()), frozenset(), None)
host = open_host(options, loaded, prepared, opened)
print(json.dumps([len(designed), repr(host.bench.gains), repr(host.bench._loops)]))
opened.close()
"""


@pytest.mark.usefixtures("own_state")
def test_the_second_start_of_a_rig_host_designs_nothing_and_has_the_same_gains(tmp_path):
    first, second = (
        subprocess.run(
            [sys.executable, "-c", START, str(tmp_path / f"link{i}")],
            capture_output=True,
            text=True,
            check=True,
            timeout=60,
        ).stdout.splitlines()[-1]
        for i in range(2)
    )
    assert first.startswith("[1, ") and second == first.replace("[1, ", "[0, ", 1)


def test_a_user_without_a_home_keeps_nothing(monkeypatch):
    def no_home(_name: str) -> None:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(design_files, "state_directory", no_home)
    files = DesignFiles()
    files.put("key", "text")
    assert files.get("key") is None
