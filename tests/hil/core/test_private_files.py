"""Directories and files prepared by another user of the computer are refused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hil.core import PrivateFileError, make_private_directory, read_private, write_private
from hil.host import BenchOptions, start_bench
from hil.link import LinkError


def test_a_missing_directory_is_made_private_with_all_on_the_way(tmp_path: Path) -> None:
    make_private_directory(tmp_path / "a" / "b")
    assert [(tmp_path / p).stat().st_mode & 0o777 for p in ("a", "a/b")] == [0o700, 0o700]


def test_a_parent_that_others_may_write_is_refused(tmp_path: Path) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o777)
    with pytest.raises(PrivateFileError, match="replace"):
        make_private_directory(shared / "mine")
    shared.chmod(0o1777)  # world-writable, as /tmp
    make_private_directory(shared / "mine")


def test_nothing_is_written_through_a_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (tmp_path / "profile.json").symlink_to(victim)
    write_private(tmp_path / "profile.json", "{}")
    assert victim.read_text() == "precious"
    assert not (tmp_path / "profile.json").is_symlink()
    assert (tmp_path / "profile.json").stat().st_mode & 0o777 == 0o600


def test_limits_that_another_may_have_written_are_not_read(tmp_path: Path) -> None:
    file = tmp_path / "profile.json"
    write_private(file, "{}")
    assert read_private(file) == "{}"
    file.chmod(0o622)
    with pytest.raises(PrivateFileError, match="another user"):
        read_private(file)
    file.unlink()
    file.symlink_to("/etc/hostname")
    with pytest.raises(OSError):
        read_private(file)
    file.unlink()
    os.mkfifo(file, 0o600)
    with pytest.raises(PrivateFileError, match="regular"):
        read_private(file)


def test_a_bench_writes_nothing_into_a_directory_that_is_open(tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.mkdir()
    victim = tmp_path / "victim"
    victim.write_text("precious")
    (link / "profile.json").symlink_to(victim)
    link.chmod(0o777)
    with pytest.raises(LinkError, match="open to other users"):
        start_bench(
            "footplate_trainer", BenchOptions(runs_directory=tmp_path / "runs", link_directory=link)
        )
    assert victim.read_text() == "precious" and [p.name for p in link.iterdir()] == ["profile.json"]
