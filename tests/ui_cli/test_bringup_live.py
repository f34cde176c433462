"""A bring-up with every process running, interrupted: rig safe, record kept, and the way to resume."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
import yaml

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).resolve().parents[2]


def started(tmp_path: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "ui.cli",
            "bringup",
            "--profile",
            "footplate_trainer",
            "--simulated-operator",
            "--out",
            "r",
            "--json",
        ],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        # A script that runs tests in its background starts them with Ctrl-C ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        text=True,
    )


def said(process: subprocess.Popen[str], part: str, timeout_s: float = 60.0) -> None:
    """Wait until a line on standard error contains ``part``."""
    assert process.stderr is not None
    watchdog = threading.Timer(timeout_s, process.kill)
    watchdog.start()
    read = ""
    for line in process.stderr:
        read += line
        if part in line:
            watchdog.cancel()
            return
    raise AssertionError(f"no '{part}' in: {read}")


def children(process: subprocess.Popen[str]) -> dict[str, int]:
    """Return the process ids of the bench by module name."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            words = (folder / "cmdline").read_text().split("\0")
        except OSError:
            continue
        if parent == process.pid and "-m" in words:
            found[words[words.index("-m") + 1]] = int(folder.name)
    return found


@pytest.mark.parametrize(
    ("how", "code", "ended"), [("Ctrl-C", 130, "interrupted"), ("host killed", 3, "lost")]
)
def test_cut_off_the_record_is_kept_and_says_how_to_go_on(
    tmp_path: Path, how: str, code: int, ended: str
) -> None:
    process = started(tmp_path)
    said(process, "(talk)")
    bench = children(process)
    assert {"hil.host", "drivers.simulated.process"} <= set(bench)
    if how == "Ctrl-C":
        process.send_signal(signal.SIGINT)
    else:
        os.kill(bench["hil.host"], signal.SIGKILL)
    try:
        out, err = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        raise
    assert process.returncode == code, err
    data: dict[str, Any] = json.loads(out.splitlines()[-1])
    assert data["ended"] == ended and data["energised_closed_loop"] is False
    assert "--resume r" in err and "Traceback" not in err
    record = yaml.safe_load((tmp_path / "r" / "bringup.yaml").read_text())
    verdicts = {e["step"]: e["verdict"] for e in record["steps"]}
    assert verdicts["talk"] == "not run" and "begun" in record["steps"][0]["text"]
    assert not children(process)
    gone = [pid for pid in bench.values() if Path(f"/proc/{pid}").exists()]
    assert gone == []
