"""The link directory: local endpoints live where only their user can enter."""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path

from hil.link.errors import LinkError

SAMPLES = "samples.ipc"
REQUESTS = "requests.ipc"
LOCK = "host.lock"
LONGEST_SOCKET_PATH = 107  # sun_path of unix(7), without its closing zero


def default_directory() -> Path:
    """Where a bench of this user listens unless told otherwise."""
    parent = os.environ.get("XDG_RUNTIME_DIR")
    if parent is not None and os.access(parent, os.W_OK):
        return Path(parent) / "hookeline"
    return Path(tempfile.gettempdir()) / f"hookeline-{os.getuid()}"


def make_private_directory(directory: Path) -> None:
    """Create ``directory`` with mode 0700, or make sure that it is one already.

    Raises:
        LinkError: it cannot be made, or is not for this user alone.
    """
    try:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    except FileExistsError:
        raise LinkError(f"link directory '{directory}' is a file; choose another path") from None
    except OSError as error:
        raise LinkError(
            f"link directory '{directory}' cannot be made: {error.strerror}; choose another path"
        ) from None
    check_private_directory(directory)


def check_private_directory(directory: Path) -> None:
    """Refuse a directory in which another user could listen, or pose as the rig host.

    Raises:
        LinkError: missing, a link, of another user, open to others, or too long a path.
    """
    try:
        found = directory.lstat()
    except OSError as error:
        raise LinkError(
            f"link directory '{directory}' cannot be opened: {error.strerror}; "
            "is the rig host running?"
        ) from None
    if not stat.S_ISDIR(found.st_mode):
        raise LinkError(f"link directory '{directory}' is no directory; name the directory itself")
    if found.st_uid != os.geteuid():
        raise LinkError(
            f"link directory '{directory}' belongs to another user; use a directory of your own"
        )
    if found.st_mode & 0o077:
        raise LinkError(
            f"link directory '{directory}' is open to other users "
            f"(mode {stat.S_IMODE(found.st_mode):04o}); run: chmod 700 '{directory}'"
        )
    path = os.fsencode(directory.absolute() / REQUESTS)
    if len(path) > LONGEST_SOCKET_PATH:
        raise LinkError(
            f"link directory '{directory}' has too long a path: its sockets need {len(path)} "
            f"bytes and may have {LONGEST_SOCKET_PATH}; choose a shorter one"
        )


def endpoint(directory: Path, name: str) -> str:
    return f"ipc://{directory.absolute() / name}"
