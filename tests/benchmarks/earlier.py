"""Compare an earlier version of the tree with today's: its own benchmark programs, run in turns.

The files of the commit are unpacked into a temporary folder and found first by Python, so both
versions run on the same interpreter and libraries. Each version's own program prints JSON; the
figures read from it have kept their names.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tarfile
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
# The last commit whose loop was torque alone and nowhere compiled: 132 us of work in a cycle of
# 1 kHz, 67 of them waiting for the drive, on a quiet computer with two cores.
BEFORE = "ce1565c41b36"
WATCH_S = 0.25  # one sample of a process's processor time
PATIENCE_S = 300.0
TRIES = 4  # a busy computer may keep a bench from starting, or stop it


class NotThere(RuntimeError):
    """An earlier version cannot be unpacked or run; the text says why."""


@contextmanager
def unpacked(commit: str) -> Iterator[Path]:
    """Unpack the tree of ``commit`` for as long as the context lasts.

    Raises:
        NotThere: git does not have it.
    """
    command = ["git", "-C", str(ROOT), "archive", "--format=tar", commit]
    try:
        packed = subprocess.run(command, capture_output=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError) as error:
        raise NotThere(
            f"commit {commit} is not in this clone ({error}). Fix: fetch the whole history"
        ) from error
    with tempfile.TemporaryDirectory(prefix="hookeline-earlier-") as folder:
        with tarfile.open(fileobj=io.BytesIO(packed)) as tar:
            tar.extractall(folder, filter="data")
        yield Path(folder)


@dataclass
class Outcome:
    """Return a program's JSON, and the processor time of its rig host as a share of real time."""

    data: dict[str, Any]
    shares: list[float] = field(default_factory=list)

    def median(self, row: str) -> float:
        """Return the median of a row of samples. Raises ``NotThere``: no such row."""
        for found in self.data["rows"]:
            if found["name"] == row:
                return float(found["values"]["median"])
        raise NotThere(f"'{self.data['title']}' has no row '{row}'")

    def figure(self, name: str) -> float:
        """Return a figure. Raises ``NotThere``: no such figure."""
        for found in self.data["figures"]:
            if found["name"] == name:
                return float(found["value"])
        raise NotThere(f"'{self.data['title']}' has no figure '{name}'")


def run(root: Path, program: str, *arguments: str) -> Outcome:
    """Run a version's own benchmark program, again if it measured nothing.

    Raises:
        NotThere: it printed no JSON in any try; the text ends with its last line.
    """
    for _ in range(TRIES - 1):
        try:
            return _run(root, program, *arguments)
        except NotThere as error:
            print(f"tried again: {error}", file=sys.stderr, flush=True)
    return _run(root, program, *arguments)


def _run(root: Path, program: str, *arguments: str) -> Outcome:
    process = subprocess.Popen(
        [sys.executable, str(root / "tests" / "benchmarks" / program), "--json", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"PYTHONPATH": str(root)},
        cwd=root,
    )
    shares: list[float] = []
    ended = threading.Event()
    watch = threading.Thread(target=_watch, args=(process.pid, shares, ended))
    watch.start()
    try:
        text = process.communicate(timeout=PATIENCE_S)[0]
    finally:
        ended.set()
        watch.join()
        process.kill()
    for line in reversed(text.splitlines()):
        if line.startswith("{"):
            return Outcome(json.loads(line), shares)
    last = text.splitlines()[-1] if text else "no output"
    raise NotThere(f"{program} of {root} measured nothing: {last}")


def _watch(parent: int, shares: list[float], ended: threading.Event) -> None:
    """Note the processor time of a rig host below ``parent``, as share of the time passed."""
    host, before = 0, (0.0, 0.0)
    while not ended.wait(WATCH_S):
        if not host:
            host = _host_below(parent)
            before = (0.0, 0.0)
            continue
        try:
            text = Path(f"/proc/{host}/schedstat").read_text()
        except OSError:
            host = 0
            continue
        now = (time.monotonic(), 1e-9 * float(text.split()[0]))
        if before[0]:
            shares.append((now[1] - before[1]) / (now[0] - before[0]))
        before = now


def _host_below(parent: int) -> int:
    """Return the number of the rig host's process that ``parent`` started; 0 if none runs."""
    for folder in Path("/proc").iterdir():
        if not folder.name.isdecimal():
            continue
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
            above = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, ValueError, IndexError):
            continue
        if above == parent and b"hil.host" in words:
            return int(folder.name)
    return 0
