"""Selections and exports, read back to the last bit by the libraries they are meant for."""

from __future__ import annotations

import importlib
import xml.etree.ElementTree
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.io import loadmat

from hil.analysis import draw_figure, export_table, lines_of, select
from hil.analysis.paper import thinned
from hil.core import COLUMNS, INDEX
from hil.recorder import Run, RunError, RunWriter, load_run, open_run

RATE_HZ = 1000.0


def make_run(runs: Path, count: int = 3000) -> Run:
    rng = np.random.default_rng(7)
    rows = rng.normal(size=(count, len(COLUMNS))) * 10.0 ** rng.integers(-20, 20, len(COLUMNS))
    for i, column in enumerate(COLUMNS):
        if column.kind.startswith("int"):
            rows[:, i] = rng.integers(0, 9, count)
    # Cycles are up to 80 µs late, so that no time stamp is a round number.
    rows[:, INDEX["time_s"]] = 77.0 + np.arange(count) / RATE_HZ + rng.uniform(0, 8e-5, count)
    rows[:, INDEX["cycle"]] = 77_000 + np.arange(count)
    rows[:, INDEX["spring_force_N"]] = np.sin(np.arange(count) / 80.0)
    rows[5, INDEX["deflection_m"]] = np.nan
    rows[6, INDEX["fault_code"]] = np.nan  # an unknown code
    with RunWriter(runs, "made", {}) as writer:
        writer.rows(rows)
    assert writer.path is not None
    return load_run(writer.path)


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return make_run(tmp_path_factory.mktemp("runs"))


def same(found: Any, run: Run, name: str, rows: slice = slice(None)) -> None:
    """Assert equality to the last bit, in the recorded type."""
    expected = run.column(name)[rows]
    found = np.asarray(found).ravel()
    assert found.shape == expected.shape
    there = found.astype(expected.dtype)
    np.testing.assert_array_equal(there, expected)
    bits = np.isfinite(expected)
    assert there[bits].tobytes() == expected[bits].tobytes()


# ------------------------------------------------------------------ read back


def read_csv(file: Path) -> dict[str, Any]:
    table = pyarrow.csv.read_csv(file)
    return {name: table.column(name).to_numpy(zero_copy_only=False) for name in table.column_names}


def read_parquet(file: Path) -> dict[str, Any]:
    table = pyarrow.parquet.read_table(file)
    return {name: table.column(name).to_numpy(zero_copy_only=False) for name in table.column_names}


def read_numpy(file: Path) -> dict[str, Any]:
    with np.load(file, allow_pickle=False) as found:
        return dict(found)


@pytest.mark.parametrize(
    ("ending", "read"),
    [(".csv", read_csv), (".parquet", read_parquet), (".npz", read_numpy), (".mat", loadmat)],
)
def test_every_form_gives_back_what_was_recorded(
    run: Run, tmp_path: Path, ending: str, read: Any
) -> None:
    target = tmp_path / f"out{ending}"
    export_table(select(run), target)
    found = read(target)
    for column in COLUMNS:
        same(found[column.name], run, column.name)
    assert [file.name for file in tmp_path.iterdir()] == [target.name]


def test_units_go_along(run: Run, tmp_path: Path) -> None:
    table = select(run, ["spring_force_N", "deflection_m"])
    for ending in (".npz", ".mat", ".parquet"):
        export_table(table, tmp_path / f"out{ending}")
    numpy = read_numpy(tmp_path / "out.npz")
    assert dict(zip(numpy["_names"], numpy["_units"], strict=True)) == {
        "time_s": "s",
        "spring_force_N": "N",
        "deflection_m": "m",
    }
    units = loadmat(tmp_path / "out.mat", simplify_cells=True)["units"]
    assert units["deflection_m"] == "m"
    schema = pyarrow.parquet.read_schema(tmp_path / "out.parquet")
    assert schema.field("spring_force_N").metadata[b"unit"] == b"N"


@pytest.mark.parametrize("library", ["pandas", "polars", "duckdb"])
def test_libraries_that_are_installed_read_it_too(run: Run, tmp_path: Path, library: str) -> None:
    module = pytest.importorskip(library)
    export_table(select(run), tmp_path / "out.parquet")
    file = str(tmp_path / "out.parquet")
    if library == "duckdb":
        found = module.sql(f"select * from '{file}'").fetchnumpy()
    else:
        found = module.read_parquet(file)
    for name in ("time_s", "spring_force_N", "cycle"):
        same(np.asarray(found[name]), run, name)


def test_a_missing_library_is_named_with_its_fix(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(RunError, match="polars is not installed; Fix: pip install polars"):
        run.frame("polars")
    with pytest.raises(RunError, match="'tables' is not a library"):
        run.frame("tables")


def test_a_run_opens_in_one_line(run: Run) -> None:
    same(open_run(1, run.path.parent).column("spring_force_N"), run, "spring_force_N")


# ------------------------------------------------------------------ selections


@given(st.floats(0.0, 2.99), st.floats(0.0, 3.5))
def test_a_selection_holds_its_samples_and_no_other(run: Run, start: float, length: float) -> None:
    times = run.column("time_s") - run.column("time_s")[0]
    inside = (run.column("time_s") >= run.column("time_s")[0] + start) & (
        run.column("time_s") <= run.column("time_s")[0] + start + length
    )
    if not inside.any():
        with pytest.raises(RunError, match="has no sample"):
            select(run, ["supply_V"], start, start + length)
        return
    table = select(run, ["supply_V"], start, start + length)
    first, last = np.flatnonzero(inside)[[0, -1]]
    same(table.column("supply_V").to_numpy(), run, "supply_V", slice(first, last + 1))
    assert len(times[first : last + 1]) == table.num_rows


@pytest.mark.parametrize("rate_hz", [100.0, 333.0, 1000.0, 2500.0])
def test_another_rate_is_even_and_keeps_the_wave(run: Run, rate_hz: float) -> None:
    table = select(run, ["spring_force_N", "state"], rate_hz=rate_hz)
    times = table.column("time_s").to_numpy()
    np.testing.assert_allclose(np.diff(times), 1.0 / rate_hz, atol=1e-9)
    wave = table.column("spring_force_N").to_numpy()
    expected = np.sin((times - run.column("time_s")[0]) * RATE_HZ / 80.0)
    np.testing.assert_allclose(wave[2:-2], expected[2:-2], atol=0.01)
    assert pa.types.is_integer(table.schema.field("state").type)


def test_faster_motion_does_not_pass_for_slow(tmp_path: Path) -> None:
    run = make_run(tmp_path)
    # 99 Hz sampled at 100 Hz would alias to 1 Hz at full amplitude.
    fast = np.sin(2 * np.pi * 99.0 * (run.column("time_s") - run.column("time_s")[0]))
    run._columns["supply_V"] = fast.astype(np.float32)
    made = select(run, ["supply_V"], rate_hz=100.0).column("supply_V").to_numpy()
    assert np.abs(made[1:-1]).max() < 0.2  # some periods hold 9 or 11 samples


def test_nothing_is_made_up_in_a_gap(tmp_path: Path) -> None:
    run = make_run(tmp_path)
    times = run.column("time_s").copy()
    times[1500:] += 1.0
    run._columns["time_s"] = times
    for rate_hz in (100.0, 1000.0):
        table = select(run, ["spring_force_N"], rate_hz=rate_hz)
        even = table.column("time_s").to_numpy() - times[0]
        values = table.column("spring_force_N").to_numpy()
        assert np.isnan(values[(even > 1.51) & (even < 2.48)]).all()
        assert np.isfinite(values[(even > 0.01) & (even < 1.48)]).all()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"columns": ["spring_force"]}, "did you mean 'spring_force_N'"),
        ({"start_s": 9.0}, "has no sample from 9 s"),
        ({"rate_hz": 0.0}, "0 Hz would give 0 samples"),
        ({"rate_hz": -5.0}, "-5 Hz"),
        ({"rate_hz": 1e12}, "1e.12 Hz would give"),
    ],
)
def test_a_selection_that_is_none_is_refused(run: Run, arguments: Any, said: str) -> None:
    with pytest.raises(RunError, match=said):
        select(run, **arguments)


def test_a_file_that_is_there_is_not_written_over(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "out.npz"
    target.write_text("mine")
    with pytest.raises(RunError, match="already exists"):
        export_table(select(run), target)
    assert target.read_text() == "mine"
    with pytest.raises(RunError, match="ends in none of"):
        export_table(select(run), tmp_path / "out.xyz")
    with pytest.raises(RunError, match="cannot be written"):
        export_table(select(run), tmp_path / "none" / "out.csv")


# ------------------------------------------------------------------ figures for print


def test_a_figure_has_the_width_text_and_dashes_that_were_asked(run: Run, tmp_path: Path) -> None:
    lines = lines_of(select(run, ["spring_force_N", "motor_force_N", "deflection_m"]))
    for width, millimetres in (("single", 85.0), ("double", 178.0), ("100", 100.0)):
        target = tmp_path / f"{width}.svg"
        draw_figure(lines, target, width)
        root = xml.etree.ElementTree.parse(target).getroot()
        assert float(root.attrib["width"].removesuffix("pt")) == pytest.approx(
            millimetres / 25.4 * 72.0, abs=0.1
        )
        text = target.read_text()
        assert "spring force" in text and ">mm<" in text and ">time (s)<" in text
        assert text.count("stroke-dasharray") >= 1
    draw_figure(lines, tmp_path / "again.svg", "single")
    assert (tmp_path / "again.svg").read_bytes() == (tmp_path / "single.svg").read_bytes()
    draw_figure(lines, tmp_path / "one.pdf")
    assert (tmp_path / "one.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize("width", ["wide", "5", "nan", "-85"])
def test_a_width_that_is_none_is_refused(run: Run, tmp_path: Path, width: str) -> None:
    lines = lines_of(select(run, ["supply_V"]))
    with pytest.raises(RunError, match="take single, double, or 30 to 600"):
        draw_figure(lines, tmp_path / "out.svg", width)
    with pytest.raises(RunError, match="at least one column"):
        draw_figure([], tmp_path / "out.svg")


@given(st.integers(1, 20_000), st.integers(0, 19_999))
def test_a_line_for_print_keeps_its_peak(count: int, place: int) -> None:
    values = np.zeros(count)
    values[place % count] = 9.0
    times, kept = thinned(np.arange(count), values)
    assert len(times) <= 3001 and (np.diff(times) >= 0).all()
    assert kept.max() == 9.0 and times[np.argmax(kept)] == place % count
