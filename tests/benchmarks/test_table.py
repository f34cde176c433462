"""The shared table judges by its stated rules."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest


@pytest.fixture(scope="module")
def table() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "benchmark_table", Path(__file__).with_name("table.py")
    )
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_rows_ratio_and_json(table: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    bench = table.Benchmark("title")
    bench.parse(["--json", "--check"])
    bench.samples("ours", np.arange(1001) * 2e-6, unit="us", scale=1e6)
    bench.samples("baseline", np.arange(1001) * 1e-6, unit="us", scale=1e6)
    bench.ratio("ours to baseline", "ours", "baseline", "p99", most=2.0)
    bench.figure("speed", 6.0, unit="s/s", least=5.0)
    assert bench.finish() == 0
    data = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert data["rows"][0]["values"] == pytest.approx(
        {"median": 1000, "p99": 1980, "p99.9": 1998, "max": 2000}
    )
    assert data["figures"][0]["value"] == pytest.approx(2.0)
    assert all(figure["reached"] for figure in data["figures"])


@pytest.mark.parametrize("value", [4.9, float("nan")])
def test_a_missed_goal_is_named(
    table: ModuleType, capsys: pytest.CaptureFixture[str], value: float
) -> None:
    bench = table.Benchmark("title")
    bench.parse(["--check"])
    bench.figure("speed", value, unit="s/s", least=5.0)
    assert bench.finish() == 1
    assert "falls short: speed" in capsys.readouterr().err
    bench.parse([])
    assert bench.finish() == 0


def test_empty_samples_and_unknown_rows(table: ModuleType) -> None:
    bench = table.Benchmark("title")
    bench.samples("none", [], unit="us")
    assert not bench.percentile("p", "none", "p99", most=1.0).reached
    with pytest.raises(ValueError, match="no row 'other'"):
        bench.ratio("r", "other", "none")
    with pytest.raises(ValueError, match="already"):
        bench.samples("none", [], unit="us")
