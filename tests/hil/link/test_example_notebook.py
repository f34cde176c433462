"""The documented examples work as documented, on the simulated rig with its own wire protocol."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from hil.host.start import BenchOptions, start_bench

pytestmark = pytest.mark.real_time

EXAMPLE = Path(__file__).with_name("example_notebook.py")


def ran(example: Path, directory: Path) -> subprocess.CompletedProcess[str]:
    """Run an example with a running bench to its end."""
    with start_bench(
        "footplate_trainer",
        BenchOptions(
            runs_directory=directory / "runs", link_directory=directory / "link", recorder=False
        ),
    ) as bench:
        return subprocess.run(
            [sys.executable, str(example), str(bench.link_directory)],
            capture_output=True,
            text=True,
            timeout=60,
        )


def test_the_example_runs_on_the_simulated_rig(directory: Path) -> None:
    done = ran(EXAMPLE, directory)
    assert done.returncode == 0, done.stderr
    said = done.stdout
    assert "at 1000 Hz" in said
    # The spring law that the example sets: 15 N/mm about 25 mm.
    found = re.search(r"it holds (-?\d+) N at ([\d.]+) mm", said)
    assert found is not None
    assert float(found[1]) == pytest.approx(15 * (25 - float(found[2])), abs=10)
    assert "refused:" in said and "spring applied" in said and "it holds" in said
    assert "end of the example" in said and "0 samples lost" in said


def test_the_example_program_moves_the_rig(directory: Path) -> None:
    done = ran(EXAMPLE.with_name("example_program.py"), directory)
    assert done.returncode == 0, done.stdout + done.stderr
    moved = re.search(r"moved ([\d.]+) mm", done.stdout)
    # Twice the rest position's 5 mm; inertia and the load's own stiffness change this by a few
    # percent.
    assert moved is not None and float(moved[1]) == pytest.approx(10.0, abs=2.0)
