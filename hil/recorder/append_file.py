"""A file that only grows, and keeps data in memory while the disk does not take it."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections import deque
from pathlib import Path

from hil.recorder.folders import sync_folder

_CHUNK = 1 << 20


class Disk:
    """Disk calls that may stall or fail; tests and benchmarks replace them."""

    def write(self, file: int, data: memoryview) -> int:
        return os.write(file, data)

    def sync(self, file: int) -> None:
        os.fsync(file)

    def sync_folder(self, folder: Path) -> None:
        sync_folder(folder)


class AppendFile:
    """Append-only file. A disk error loses no data given to ``append``; ``flush`` retries.

    While open, the file is locked (``flock``), which distinguishes a run being recorded from one
    that was interrupted.
    """

    def __init__(self, path: Path, disk: Disk) -> None:
        self.path = path
        self._disk = disk
        self._file = -1
        self._written = 0
        self._waiting: deque[memoryview] = deque()
        self._dirty = False
        self._entered = False  # its name, and that of its folder, are synced to the medium

    @property
    def waiting_bytes(self) -> int:
        return sum(len(data) for data in self._waiting)

    def append(self, data: bytes) -> None:
        """Keep ``data`` for the next flush."""
        if data:
            self._waiting.append(memoryview(data))

    def flush(self, sync: bool = False) -> None:
        """Write the waiting data.

        Args:
            sync: also wait until the data is on the medium.

        Raises:
            OSError: the disk refused; data not written is kept.
        """
        if self._file < 0:
            self._file = self._open()
        elif not self._is_there():
            self._restore()
        while self._waiting:
            data = self._waiting[0]
            count = self._disk.write(self._file, data[:_CHUNK])
            self._written += count
            self._dirty = True
            if count == len(data):
                self._waiting.popleft()
            else:
                self._waiting[0] = data[count:]
        if sync and self._dirty:
            self._disk.sync(self._file)
            self._dirty = False
        if sync and not self._entered:
            # Otherwise a power failure may leave the data on the medium without a name (fsync(2)).
            self._disk.sync_folder(self.path.parent)
            self._disk.sync_folder(self.path.parent.parent)
            self._entered = True

    def close(self) -> None:
        """Close the file; waiting data is lost, so flush before."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def _open(self) -> int:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self._entered = False
        file = os.open(
            self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644
        )
        with contextlib.suppress(OSError):  # file systems without locks; it only informs
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return file

    def _is_there(self) -> bool:
        try:
            found = os.stat(self.path)
        except FileNotFoundError:
            return False
        return os.path.samestat(found, os.fstat(self._file))

    def _restore(self) -> None:
        """Write the file again from the open descriptor after its folder was removed."""
        fresh = self._open()
        try:
            at = 0
            while at < self._written:
                data = memoryview(os.pread(self._file, _CHUNK, at))
                if not data:
                    break
                at += len(data)
                while data:
                    data = data[self._disk.write(fresh, data) :]
        except OSError:
            os.close(fresh)
            self.path.unlink(missing_ok=True)
            raise
        os.close(self._file)
        self._file = fresh
        self._dirty = True


def is_being_written(path: Path) -> bool:
    """Return whether a process holds ``path`` open as an ``AppendFile``."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(file)
    return False
