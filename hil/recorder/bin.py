"""The bin of a directory of runs: its folder ``.bin``. Runs in it can be restored."""

from __future__ import annotations

import shutil
from pathlib import Path

from hil.recorder.append_file import is_being_written
from hil.recorder.errors import RunError
from hil.recorder.folders import BIN, SAMPLES_OPEN, number_and_name, sync_folder
from hil.recorder.labels import read_labels


def bin_run(folder: Path) -> Path:
    """Move a run into the bin and return where it is now.

    Raises:
        RunError: it is being recorded, is pinned, does not exist, or the disk refuses.
    """
    if not folder.is_dir() or number_and_name(folder) is None:
        raise RunError(f"'{folder}' is not a run folder; 'hookeline runs' lists the runs")
    if is_being_written(folder / SAMPLES_OPEN):
        raise RunError(f"run '{folder.name}' is being recorded; end it first")
    if read_labels(folder).pinned:
        raise RunError(f"run '{folder.name}' is pinned; unpin it first")
    target = folder.parent / BIN / folder.name
    try:
        target.parent.mkdir(exist_ok=True)
        if target.exists():
            raise RunError(f"'{target}' already exists; restore or remove it first")
        folder.rename(target)
        _sync(target.parent, folder.parent)
    except OSError as error:
        raise _refused(folder, error) from None
    return target


def restore_run(directory: Path, name: str) -> Path:
    """Restore a run from the bin of ``directory`` and return where it is now.

    Args:
        name: the run's number or folder name.

    Raises:
        RunError: the bin has no such run, its place is taken, or the disk refuses.
    """
    there = list_binned(directory)
    fits = [
        folder
        for folder in there
        if name == folder.name or (name.isdigit() and int(name) == _number(folder))
    ]
    if not fits:
        names = ", ".join(folder.name for folder in there[-5:]) or "none"
        raise RunError(f"no run '{name}' in the bin of '{directory}' (the latest there: {names})")
    source = fits[-1]
    target = directory / source.name
    if target.exists():
        raise RunError(f"'{target}' already exists; rename that folder first")
    try:
        source.rename(target)
        _sync(target.parent, source.parent)
    except OSError as error:
        raise _refused(source, error) from None
    return target


def list_binned(directory: Path) -> list[Path]:
    """Return the run folders in the bin, by number; empty if there is no bin.

    Raises:
        RunError: the bin cannot be read.
    """
    try:
        folders = [entry for entry in (directory / BIN).iterdir() if number_and_name(entry)]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise RunError(f"bin '{directory / BIN}' cannot be read: {error.strerror}") from None
    return sorted(folders, key=lambda folder: (_number(folder), folder.name))


def empty_bin(directory: Path) -> int:
    """Remove every run in the bin permanently and return how many there were.

    Raises:
        RunError: the bin cannot be read, or the disk refuses.
    """
    folders = list_binned(directory)
    for folder in folders:
        try:
            shutil.rmtree(folder)
        except OSError as error:
            raise _refused(folder, error) from None
    return len(folders)


def _number(folder: Path) -> int:
    found = number_and_name(folder)
    return found[0] if found else 0


def _sync(*folders: Path) -> None:
    for folder in folders:
        sync_folder(folder)


def _refused(folder: Path, error: OSError) -> RunError:
    return RunError(
        f"run '{folder.name}' cannot be moved or removed: {error.strerror or error}; "
        "check the permissions of its folder"
    )
