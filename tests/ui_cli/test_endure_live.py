"""``hookeline endure`` with every process running: the count after a killed host or computer."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hil.wear import Journal
from hil.wear.journal import read_journal

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 60.0
STEPS = """\
name: short
steps:
  - power_on
  - {do: hold_position, position: 6 mm, speed: 80 mm/s, for: 0.3 s}
  - power_off
"""


class Running:
    """The command in its own process group, so that the whole group can be killed at once."""

    def __init__(self, folder: Path, *more: str) -> None:
        self.journal = folder / "out" / "journal.jsonl"
        words = [sys.executable, "-m", "ui.cli", "endure", str(folder / "short.yaml")]
        words += ["--profile", "footplate_trainer", "--out", str(folder / "out"), "--headless"]
        self.process = subprocess.Popen(
            [*words, "--cycles", "1000", "--json", *more],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def host(self) -> int:
        """Return the process id of its rig host."""
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                words = (folder / "cmdline").read_text().split("\0")
            except OSError:
                continue
            if parent == self.process.pid and "hil.host" in words:
                return int(folder.name)
        raise AssertionError("no rig host")

    def counted(self, least: int) -> None:
        """Wait until the journal has so many cycles."""
        until_s = time.monotonic() + PATIENCE_S
        while cycles_in(self.journal) < least:
            assert self.process.poll() is None, self.process.communicate()[1]
            assert time.monotonic() < until_s
            time.sleep(0.02)

    def kill_all(self) -> None:
        """Kill the command and all its processes, as a power failure of the computer does."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.communicate()


def cycles_in(journal: Path) -> int:
    return journal.read_bytes().count(b'"kind":"cycles"') if journal.exists() else 0


def test_the_count_survives_a_dead_host_and_a_dead_computer(tmp_path: Path) -> None:
    (tmp_path / "short.yaml").write_text(STEPS)
    running = Running(tmp_path)
    try:
        running.counted(1)
        os.kill(running.host(), signal.SIGKILL)
        out, err = running.process.communicate(timeout=PATIENCE_S)
    finally:
        if running.process.poll() is None:
            running.kill_all()
    assert running.process.returncode == 1, err
    data = json.loads(out.splitlines()[-1])
    before = cycles_in(running.journal)
    assert data["cycles"] == before >= 1 and data["ended"] == "lost"
    running = Running(tmp_path, "--go-on")
    try:
        running.counted(before + 1)
    finally:
        running.kill_all()
    entries, _ = read_journal(running.journal)
    counts = [entry["count"] for entry in entries if entry["kind"] == "cycles"]
    assert counts == list(range(1, len(counts) + 1)) and len(counts) > before
    head = {k: v for k, v in entries[0].items() if k not in ("kind", "form")}
    again = Journal(running.journal, head, go_on=True)
    assert again.count == len(counts)
    again.close()
