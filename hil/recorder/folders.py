"""Run folders, with numbers that are never reused."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
from pathlib import Path

_FOLDER = re.compile(r"(\d{4,})-(.+)")
_LAST = ".last_number"
SAMPLES_OPEN = "samples.arrows"
SAMPLES = "samples.parquet"
EVENTS = "events.jsonl"
META = "run.yaml"
LABELS = "labels.yaml"
BIN = ".bin"
INDEX_FILE = ".index.json"
PROCESS_LOG = "processes.log"


def number_and_name(folder: Path | os.DirEntry[str]) -> tuple[int, str] | None:
    """Return (12, "float") for ``0012-float``; None for a folder that is not a run."""
    match = _FOLDER.fullmatch(folder.name)
    return (int(match[1]), match[2]) if match else None


def run_name(name: str, axis: str) -> str:
    """Return the name of a run, with the axis at its end if there are several."""
    return f"{name} {axis}" if axis else name


def name_of_axis(name: str, axis: str) -> str | None:
    """Return the name of a run without its axis; None for a run of another axis."""
    if not axis:
        return name
    own = name.removesuffix(f" {axis}")
    return own if own != name else None


def named_run_folder(runs: Path, name: str) -> Path | None:
    """Return the folder of a run named by another process; None unless it is a plain name.

    A name received over the link may be anything, even a path out of ``runs``.
    """
    plain = Path(name).name == name and number_and_name(Path(name)) is not None
    return runs / name if plain else None


def new_run_folder(runs: Path, name: str) -> Path:
    """Make the next folder in ``runs``.

    A number is never used twice, even after a run was removed, and concurrent recorders get
    different ones.

    Raises:
        OSError: the directory cannot be made or written.
    """
    runs.mkdir(parents=True, exist_ok=True)
    word = re.sub(r"[^A-Za-z0-9_.]+", "-", name).strip("-.")[:60] or "run"
    file = os.open(runs / _LAST, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        with contextlib.suppress(OSError):  # file systems without locks
            fcntl.flock(file, fcntl.LOCK_EX)
        text = os.pread(file, 32, 0).decode("ascii", "replace").strip()
        last = int(text) if text.isdigit() else 0
        for folder in runs.iterdir():
            found = number_and_name(folder)
            if found:
                last = max(last, found[0])
        # Fixed width, written in place: a full disk cannot leave an incomplete number.
        os.pwrite(file, f"{last + 1:09d}\n".encode(), 0)
        path = runs / f"{last + 1:04d}-{word}"
        path.mkdir()
        return path
    finally:
        os.close(file)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file atomically: after a crash it is either the old or the new one.

    Raises:
        OSError: the disk refused; the old file is untouched.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        part.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Wait until the folder's entries are on the medium."""
    file = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(file)
    finally:
        os.close(file)
