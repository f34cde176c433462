"""The latest samples in files beside the link, for the recorder that follows one that dies.

A trip's ten seconds are in memory until the trip. Two files take turns, so that one of them always
holds a whole turn; the kernel keeps what was written when the process is killed.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.core import COLUMNS, INDEX
from hil.link import to_json

DESCRIPTION = "recent-description.json"
TURN_S = 12.0  # of samples in a file: the ten seconds before a trip and the two after it
_TIME = INDEX["time_s"]
_ROW_BYTES = len(COLUMNS) * 8

Rows = NDArray[np.float64]


class KeptSeconds:
    """Writer of the two files. A refused write loses what its file held.

    Args:
        directory: private, of this bench.
    """

    def __init__(self, directory: Path) -> None:
        self._names = [
            (directory / f"recent-{k}.rows", directory / f"recent-{k}.events") for k in (0, 1)
        ]
        self._description = directory / DESCRIPTION
        self._files: list[tuple[int, int]] = []
        self._turn = 0
        self._began_s = float("nan")

    def begin(self, description: Mapping[str, Any]) -> None:
        """Empty the files, or create them; keep the rig host's description."""
        self.close()
        with contextlib.suppress(OSError):
            self._files = [(_opened(rows), _opened(events)) for rows, events in self._names]
        with contextlib.suppress(OSError), open(_opened(self._description), "wb") as file:
            file.write(to_json(dict(description)))

    def rows(self, rows: Rows) -> None:
        """Keep rows, shape (n, number of columns), oldest first, n > 0."""
        if not self._files:
            return
        time_s = float(rows[-1, _TIME])
        if not time_s - self._began_s < TURN_S:
            self._turn = 1 - self._turn
            self._began_s = time_s
            self._empty()
        self._write(0, np.ascontiguousarray(rows).tobytes())

    def event(self, event: dict[str, Any]) -> None:
        """Keep an event."""
        if self._files:
            self._write(1, to_json(event) + b"\n")

    def close(self) -> None:
        """Close the files and remove them: a recorder that ends leaves nothing to take over."""
        for pair in self._files:
            for file in pair:
                os.close(file)
        self._files = []
        for name in (self._description, *(name for pair in self._names for name in pair)):
            with contextlib.suppress(OSError):
                name.unlink()

    def _empty(self) -> None:
        with contextlib.suppress(OSError):
            for file in self._files[self._turn]:
                os.ftruncate(file, 0)

    def _write(self, which: int, data: bytes) -> None:
        try:
            written = os.write(self._files[self._turn][which], data)
        except OSError:
            written = 0
        if written != len(data):
            self._empty()  # an incomplete row would shift those after it


def read_kept(directory: Path) -> tuple[Rows, list[dict[str, Any]]]:
    """Return the rows, shape (n, number of columns), and events that a dead recorder kept.

    An incomplete row or event at the end is left out; both are empty if nothing was kept.
    """
    blocks = []
    events = []
    for k in (0, 1):
        with contextlib.suppress(OSError):
            data = (directory / f"recent-{k}.rows").read_bytes()
            whole = len(data) // _ROW_BYTES * _ROW_BYTES
            blocks.append(np.frombuffer(data[:whole]).reshape(-1, len(COLUMNS)))
        with contextlib.suppress(OSError):
            for line in (directory / f"recent-{k}.events").read_bytes().split(b"\n"):
                with contextlib.suppress(ValueError):
                    events.append(json.loads(line))
    blocks = sorted((b for b in blocks if len(b)), key=lambda block: float(block[0, _TIME]))
    events.sort(key=lambda event: float(event.get("time_s") or 0.0))
    rows = np.concatenate(blocks) if blocks else np.empty((0, len(COLUMNS)))
    return rows, events


def read_kept_description(directory: Path) -> dict[str, Any]:
    """Return the description of the rig host that a dead recorder kept; empty if there is none."""
    try:
        found = json.loads((directory / DESCRIPTION).read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _opened(path: Path) -> int:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC
    return os.open(path, flags, 0o600)
