"""The coverage campaign's table: figures measured anew replace theirs, the others stay."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import measure

CAMPAIGN = Path(measure.__file__)


def kept_line(seed: int, error: float) -> dict[str, Any]:
    figures = {"heat.new": {"value": 1.0 + error, "u95": 1.0, "truth": 1.0}}
    return {"seed": seed, "test": "heat", "figures": figures, "problems": [], "exact": ["heat.new"]}


def test_rows_of_the_same_figure_are_replaced_where_they_stand() -> None:
    before = [{"figure": "a", "rigs": 1}, {"figure": "b", "rigs": 1}]
    rows = [{"figure": "b", "rigs": 50}, {"figure": "c", "rigs": 50}]
    assert measure.merged(before, rows) == [before[0], *rows]


def test_one_test_is_written_into_the_table_of_all(tmp_path: Path) -> None:
    lines = [json.dumps(kept_line(seed, 0.1 * seed)) for seed in range(1, 4)]
    (tmp_path / measure.LINES).write_text("\n".join(lines) + "\n")
    table = tmp_path / "measure.json"
    table.write_text(json.dumps({"rigs": 50, "table": [{"figure": "plant.mass", "rigs": 50}]}))
    options = ["--only", "heat", "--keep", str(tmp_path), "--table", "--into", str(table)]
    subprocess.run([sys.executable, str(CAMPAIGN), *options], check=True)
    written = json.loads(table.read_text())
    assert written["rigs"] == 50
    assert [(row["figure"], row["rigs"]) for row in written["table"]] == [
        ("plant.mass", 50),
        ("heat.new", 3),
    ]
