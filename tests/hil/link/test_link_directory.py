"""The directory of the link's sockets belongs to one user and one rig host."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from hil.link.directory import REQUESTS, SAMPLES
from hil.link.errors import LinkError
from hil.link.server import LinkServer
from tests.hil.link.bare_server import DESCRIPTION

pytestmark = pytest.mark.real_time


def refused(directory: Path, words: str) -> None:
    with pytest.raises(LinkError, match=words):
        LinkServer(directory, DESCRIPTION, 0.15)


def test_the_directory_is_made_for_one_user(directory: Path) -> None:
    server = LinkServer(directory / "a" / "b", DESCRIPTION, 0.15)
    assert (directory / "a" / "b").stat().st_mode & 0o777 == 0o700
    server.close()
    assert sorted(path.name for path in (directory / "a" / "b").iterdir()) == ["host.lock"]


def test_a_directory_that_is_not_private_is_refused(directory: Path) -> None:
    directory.chmod(0o750)
    refused(directory, "open to other users.*chmod 700")
    directory.chmod(0o701)
    refused(directory, "open to other users")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a directory away")
def test_a_directory_of_another_user_is_refused(directory: Path) -> None:
    theirs = directory / "theirs"
    theirs.mkdir(mode=0o700)
    os.chown(theirs, 65534, 65534)
    refused(theirs, "belongs to another user")


def test_no_directory_at_all_is_refused(directory: Path) -> None:
    (directory / "file").touch()
    refused(directory / "file", "is not a directory")
    (directory / "link").symlink_to(directory)
    refused(directory / "link", "is not a directory")
    refused(directory / ("x" * 100), "too long a path")
    refused(Path("/proc/nothing"), "cannot be made")


def test_one_host_for_a_directory(directory: Path) -> None:
    server = LinkServer(directory, DESCRIPTION, 0.15)
    refused(directory, "another rig host")
    server.close()
    LinkServer(directory, DESCRIPTION, 0.15).close()


def test_sockets_left_by_a_killed_host_are_no_obstacle(directory: Path) -> None:
    (directory / SAMPLES).touch()
    (directory / REQUESTS).touch()
    LinkServer(directory, DESCRIPTION, 0.15).close()
