"""Directories and files that no other user of the computer can enter, replace or redirect."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path


class PrivateFileError(Exception):
    """Error of a directory or file that is not private; the text gives reason and fix."""


def make_private_directory(directory: Path) -> None:
    """Create ``directory`` with mode 0700, or check that it is private.

    Raises:
        PrivateFileError: it cannot be created, or is not private.
    """
    try:
        # Parents are made private too: the owner of one could rename its contents.
        missing = [d for d in (directory, *directory.parents) if not d.exists()]
        for each in reversed(missing):
            with contextlib.suppress(FileExistsError):
                each.mkdir(mode=0o700)
    except OSError as error:
        raise PrivateFileError(
            f"directory '{directory}' cannot be made: {error.strerror}; choose another path"
        ) from None
    check_private_directory(directory)


def check_private_directory(directory: Path) -> None:
    """Refuse a directory in which another user could create, read or replace files.

    Raises:
        PrivateFileError: missing, a link, of another user, open to others, or inside such a one.
    """
    try:
        found = directory.lstat()
    except OSError as error:
        raise PrivateFileError(
            f"directory '{directory}' cannot be opened: {error.strerror}"
        ) from None
    if not stat.S_ISDIR(found.st_mode):
        raise PrivateFileError(
            f"'{directory}' is not a directory; name the directory itself, not a link or file"
        )
    if found.st_uid != os.geteuid():
        raise PrivateFileError(
            f"directory '{directory}' belongs to another user; use your own directory"
        )
    if found.st_mode & 0o077:
        raise PrivateFileError(
            f"directory '{directory}' is open to other users "
            f"(mode {stat.S_IMODE(found.st_mode):04o}); run: chmod 700 '{directory}'"
        )
    for parent in directory.absolute().parents:
        above = parent.stat()
        # With the sticky bit, as on /tmp, only the owner of an entry may rename it.
        group = above.st_mode & 0o020 and above.st_gid not in (0, os.getegid())
        others = (above.st_mode & 0o002 or group) and not above.st_mode & stat.S_ISVTX
        if above.st_uid not in (0, os.geteuid()) or others:
            raise PrivateFileError(
                f"directory '{directory}' lies in '{parent}', where another user could replace it; "
                "choose a path in your home directory"
            )


def write_private(path: Path, text: str) -> None:
    """Write a new file that only this user can read, never through a link.

    Raises:
        OSError: it cannot be written.
    """
    with contextlib.suppress(FileNotFoundError):
        path.unlink()
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(path, flags, 0o600), "w", encoding="utf-8") as file:
        file.write(text)


def replace_private(path: Path, text: str) -> None:
    """Write a file as :func:`write_private`, but atomically.

    Raises:
        OSError: it cannot be written; an existing file is kept.
    """
    new = path.with_name(f"{path.name}.new")
    write_private(new, text)
    new.replace(path)


def state_directory(name: str) -> Path:
    """Return the program's state path ``name`` in ``$XDG_STATE_HOME`` or ``~/.local/state``."""
    state = os.environ.get("XDG_STATE_HOME", "")
    # A relative path must be ignored (XDG Base Directory Specification).
    base = Path(state) if os.path.isabs(state) else Path.home() / ".local" / "state"
    return base / "hookeline" / name


def read_private(path: Path) -> str:
    """Return the text of a file that no other user can have written.

    Raises:
        OSError: it cannot be opened, or is a link.
        PrivateFileError: not a regular file of this user, or writable by others.
    """
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
    with os.fdopen(os.open(path, flags), encoding="utf-8") as file:
        found = os.fstat(file.fileno())
        if not stat.S_ISREG(found.st_mode):
            raise PrivateFileError(f"'{path}' is not a regular file; restart the bench")
        if found.st_uid != os.geteuid() or found.st_mode & 0o022:
            raise PrivateFileError(
                f"'{path}' may have been written by another user; restart the bench"
            )
        return file.read()
