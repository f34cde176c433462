"""A share of the campaign that breaks guarded tests: stopped, reported, without power, resumed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

CAMPAIGN = Path(__file__).parent / "measure_faults.py"


def outcomes(*options: str) -> tuple[int, list[dict[str, Any]]]:
    # A process of its own: the campaign forks, and this one may have threads.
    done = subprocess.run(
        [sys.executable, str(CAMPAIGN), "--check", "--json", *options],
        capture_output=True,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        check=False,
    )
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout.splitlines()[-1])


def test_a_fault_in_the_middle_stops_a_test_is_reported_and_the_test_is_taken_up_again() -> None:
    code, found = outcomes("--quick")
    assert code == 0, found
    rail, silent, noise = found
    assert (rail["how"], rail["cause"]) == ("stopped", "Sensor jump")
    assert (silent["how"], silent["cause"]) == ("stopped", "Telemetry age")
    assert noise["how"] in ("borne", "finished")
    assert all(one["again"] == "moves" for one in (rail, silent))
