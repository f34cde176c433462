"""An earlier version unpacked from the history runs its own programs."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

import earlier

PROGRAM = """
import json, pathlib, sys
import version_of_this_tree
tried = pathlib.Path("tried")
if not tried.exists():
    tried.write_text("once")
    sys.exit("stopped: the computer is busy")
rows = [{"name": "after the answer", "values": {"median": 12.5}}]
figures = [{"name": "cycle", "value": 3.0}]
print(json.dumps({"title": sys.argv[1:], "rows": rows, "figures": figures}))
"""


def test_a_commit_that_is_not_there_is_named_with_the_fix() -> None:
    with (
        pytest.raises(earlier.NotThere, match=r"commit 0{12} is not in this clone.*Fix: fetch"),
        earlier.unpacked("0" * 12),
    ):
        pass


def test_a_versions_own_program_runs_on_its_own_tree_anew_if_it_is_stopped(tmp_path: Path) -> None:
    place = tmp_path / "tests" / "benchmarks"
    place.mkdir(parents=True)
    (place / "cycle.py").write_text(PROGRAM)
    (tmp_path / "version_of_this_tree.py").write_text("")
    outcome = earlier.run(tmp_path, "cycle.py", "--seconds", "5")
    assert outcome.data["title"] == ["--json", "--seconds", "5"]
    assert outcome.median("after the answer") == 12.5
    assert outcome.figure("cycle") == 3.0
    with pytest.raises(earlier.NotThere, match="no row 'elsewhere'"):
        outcome.median("elsewhere")


def test_a_program_that_never_measures_ends_with_its_last_line(tmp_path: Path) -> None:
    place = tmp_path / "tests" / "benchmarks"
    place.mkdir(parents=True)
    (place / "cycle.py").write_text("print('x'); raise SystemExit('the rig was stopped')")
    with pytest.raises(earlier.NotThere, match="the rig was stopped"):
        earlier.run(tmp_path, "cycle.py")
