"""The link directory: local endpoints lie where only their user has access."""

from __future__ import annotations

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hil.core import PrivateFileError, check_private_directory, make_private_directory
from hil.link.errors import LinkError, NoRigHost

SAMPLES = "samples.ipc"
REQUESTS = "requests.ipc"
LOCK = "host.lock"
CLAIM = "bench.lock"
LONGEST_SOCKET_PATH = 107  # sun_path of unix(7), without its closing zero


def default_directory() -> Path:
    """Return the directory in which a bench of this user listens by default."""
    parent = os.environ.get("XDG_RUNTIME_DIR")
    if parent is not None and os.access(parent, os.W_OK):
        return Path(parent) / "hookeline"
    return Path(tempfile.gettempdir()) / f"hookeline-{os.getuid()}"


def make_link_directory(directory: Path) -> None:
    """Create ``directory`` for this user alone, or check that it is private.

    Raises:
        LinkError: cannot be created, open to other users, or path too long.
    """
    try:
        make_private_directory(directory)
    except PrivateFileError as error:
        raise LinkError(f"link {error}") from None
    _check_length(directory)


@contextmanager
def claimed_link_directory(directory: Path) -> Iterator[None]:
    """Create ``directory`` as :func:`make_link_directory` does, and keep other benches out of it.

    A second bench would write its profile and its logs over those of the first.

    Raises:
        LinkError: as :func:`make_link_directory`, or another bench uses it.
    """
    make_link_directory(directory)
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        claim = os.open(directory / CLAIM, flags, 0o600)
    except OSError as error:
        raise LinkError(f"link directory '{directory}': {error.strerror}") from None
    with os.fdopen(claim):
        try:
            fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise LinkError(
                f"another bench uses link directory '{directory}'. Fix: end it, or choose another "
                "directory with --link DIR"
            ) from None
        yield


def check_link_directory(directory: Path) -> None:
    """Refuse a directory in which another user could listen, or pose as the rig host.

    Raises:
        LinkError: missing, a link, of another user, open to others, or path too long.
    """
    if not directory.exists():
        raise NoRigHost(
            f"link directory '{directory}' cannot be opened: No such file or directory; "
            "is the rig host running?"
        )
    try:
        check_private_directory(directory)
    except PrivateFileError as error:
        raise LinkError(f"link {error}") from None
    _check_length(directory)


def _check_length(directory: Path) -> None:
    path = os.fsencode(directory.absolute() / REQUESTS)
    if len(path) > LONGEST_SOCKET_PATH:
        raise LinkError(
            f"link directory '{directory}' has too long a path: its sockets need {len(path)} "
            f"bytes, the limit is {LONGEST_SOCKET_PATH}; choose a shorter one"
        )


def endpoint(directory: Path, name: str) -> str:
    return f"ipc://{directory.absolute() / name}"
