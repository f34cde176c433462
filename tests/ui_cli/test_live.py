"""The command line with every process running, as a person starts it."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.recorder.runs import load_run
from tests.ui_cli.answers_read import last_object

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).resolve().parents[2]
SHORT = """\
name: short
profile: footplate_trainer
steps:
  - power_on
  - {do: hold_position, position: 12 mm, speed: 30 mm/s, for: LONG, settle: 0.5 s, measure: held}
  - {do: stop, measure: exercise, for: 0.3 s}
  - reset
"""


STARTED: list[subprocess.Popen[str]] = []


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    """Kill programs that a failed test left: they would load the computer until the suite ends."""
    yield
    while STARTED:
        process = STARTED.pop()
        if process.poll() is None:
            process.terminate()  # the program then ends its bench
            try:
                process.communicate(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()


def started(
    tmp_path: Path, *arguments: str, display: bool = False, merge: bool = False
) -> subprocess.Popen[str]:
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    environment["QT_QPA_PLATFORM"] = "offscreen"
    if display:
        environment["DISPLAY"] = ":99"
    process = subprocess.Popen(
        [sys.executable, "-m", "ui.cli", *arguments],
        cwd=tmp_path,
        env={**environment, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT if merge else subprocess.PIPE,
        # A script that runs tests in its background starts them with Ctrl-C ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        text=True,
    )
    STARTED.append(process)
    return process


def line_with(process: subprocess.Popen[str], part: str, timeout_s: float = 40.0) -> str:
    """Read lines of the output until one contains ``part``."""
    assert process.stdout is not None
    end = time.monotonic() + timeout_s
    read = ""
    while time.monotonic() < end:
        if select.select([process.stdout], [], [], 0.2)[0]:
            line = process.stdout.readline()
            read += line
            if part in line:
                return line
            if not line:
                break
    process.kill()
    raise AssertionError(f"no '{part}' in: {read}")


def ended(process: subprocess.Popen[str]) -> tuple[int, str, str]:
    try:
        out, err = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        raise
    return process.returncode, out, err or ""


def sequence(tmp_path: Path, seconds: float) -> str:
    file = tmp_path / "short.yaml"
    file.write_text(SHORT.replace("LONG", f"{seconds:g} s"))
    return str(file)


def test_an_interrupt_stops_the_rig_closes_the_run_and_says_so(tmp_path: Path) -> None:
    process = started(
        tmp_path, "perform", sequence(tmp_path, 30.0), "--headless", "--json", merge=True
    )
    line_with(process, "hold position")
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    code, out, _ = ended(process)
    assert code == 130, out
    assert "Traceback" not in out
    data = last_object(out)
    assert data["ended"] == "interrupted"
    run = load_run(tmp_path / data["run"])
    assert run.complete
    [stop] = [event for event in run.events if event["kind"] == "stop"]
    assert "interrupted" in stop["detail"]
    assert run.column("power_stage")[-1] == 1


def test_serve_performs_for_others_and_the_readme_example_runs(tmp_path: Path) -> None:
    link, runs = tmp_path / "link", tmp_path / "served"
    serving = started(
        tmp_path,
        "serve",
        "--profile",
        "footplate_trainer",
        "--link",
        str(link),
        "--runs",
        str(runs),
        "--json",
    )
    try:
        told = json.loads(line_with(serving, '"link"'))
        assert told["link"] == str(link)
        # From rest: after a stop the lever sinks for a while, and power-on would then trip.
        [example] = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(), re.S)
        variables: dict[str, Any] = {"link_directory": link}
        exec(compile(example, "README.md", "exec"), variables)
        assert len(variables["forces_N"]) > 5
        assert max(abs(force) for force in variables["forces_N"]) < 600.0
        code, out, err = ended(
            started(
                tmp_path,
                "perform",
                sequence(tmp_path, 1.5),
                "--link",
                str(link),
                "--out",
                str(runs),
                "--headless",
                "--json",
            )
        )
        assert code == 0, err
        assert Path(last_object(out)["run"]).parent == runs
    finally:
        serving.send_signal(signal.SIGINT)
        code, _, err = ended(serving)
    assert code == 0, err


def test_serve_of_axes_performs_for_others_and_the_example_of_the_manual_runs(
    tmp_path: Path,
) -> None:
    link, runs = tmp_path / "link", tmp_path / "served"
    arguments = ["serve", "--profile", "two_axes", "--link", str(link), "--runs", str(runs)]
    serving = started(tmp_path, *arguments, "--json")
    try:
        told = json.loads(line_with(serving, '"link"'))
        assert told["axes"] == {axis: str(link / axis) for axis in ("heel", "toe")}
        page = (ROOT / "ui" / "manual" / "two_axes.md").read_text()
        [example] = re.findall(r"```python\n(.*?)```", page, re.S)
        variables: dict[str, Any] = {"link_directory": link}
        exec(compile(example, "two_axes.md", "exec"), variables)
        assert all(len(items) > 5 for items in variables["seen"])
        for_axes = tmp_path / "for_axes.yaml"
        for_axes.write_text(
            "name: short\naxes: two_axes\nsteps:\n  - power_on\n"
            "  - {do: hold_position, position: 4 mm, speed: 30 mm/s, for: 0.5 s}\n"
            "  - {do: stop, measure: exercise, for: 0.3 s}\n  - reset\n"
        )
        given = ["perform", "--link", str(link), "--out", str(runs), "--headless", "--json"]
        code, out, err = ended(started(tmp_path, *given, str(for_axes)))
        assert code == 0, err
        assert set(last_object(out)["axes"]) == {"heel", "toe"}
        code, _, err = ended(started(tmp_path, *given, sequence(tmp_path, 1.5)))
        assert code == 2 and f"such as --link {link / 'heel'}" in err, err
    finally:
        serving.send_signal(signal.SIGINT)
        code, _, err = ended(serving)
    assert code == 0, err


def test_the_demo_at_a_screen_records_from_the_start_and_closes_in_order(tmp_path: Path) -> None:
    process = started(tmp_path, "demo", "--out", "seen", "--json", display=True)
    deadline = time.monotonic() + 40.0
    while not list(tmp_path.glob("seen/*-demo/samples.arrows")):
        assert process.poll() is None and time.monotonic() < deadline
        time.sleep(0.1)
    process.send_signal(signal.SIGTERM)
    code, out, err = ended(process)
    assert code == 0, err
    assert last_object(out)["exit_code"] == 0
    [folder] = tmp_path.glob("seen/*-demo")
    assert load_run(folder).complete


def test_a_sequence_is_performed_and_measured_while_a_dashboard_watches(tmp_path: Path) -> None:
    process = started(
        tmp_path, "perform", sequence(tmp_path, 1.5), "--json", "--confirm-loads", display=True
    )
    code, out, err = ended(process)
    assert code == 0, err
    data = last_object(out)
    assert data["ended"] == "finished"
    assert data["hold"]["name"] == "held"
    assert data["stop"]["to_wire_ms"] > 0
    run = load_run(tmp_path / data["run"])
    assert run.complete and run.table.num_rows == data["cycles"] > 1500
    assert (tmp_path / data["report"]).exists() and (tmp_path / data["picture"]).exists()
