"""Runs that were interrupted, runs found by name, and damaged runs."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.recorder import RunError, find_run, list_runs, load_run, repair_run
from hil.recorder.writer import RunWriter
from tests.hil.recorder.made_runs import DESCRIPTION, START, made_rows, make_run

# ---------------------------------------------------------------------- interrupted runs


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of ten batches of 100 samples whose writer was killed."""
    runs = tmp_path_factory.mktemp("runs")
    writer = RunWriter(runs, "cut", DESCRIPTION, started=START)
    for batch in range(10):
        writer.rows(made_rows(100, first=100 * batch))
        writer.event({"kind": "marker", "time_s": batch / 10})
        writer.flush()
    writer.abandon()
    assert writer.path is not None
    return writer.path


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_a_stream_cut_anywhere_is_readable_up_to_there(
    interrupted: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    stream = (interrupted / "samples.arrows").read_bytes()
    lines = (interrupted / "events.jsonl").read_bytes()
    cut = data.draw(st.integers(0, len(stream)))
    path = tmp_path_factory.mktemp("cut") / "0007-cut"
    path.mkdir()
    shutil.copy(interrupted / "run.yaml", path)
    (path / "samples.arrows").write_bytes(stream[:cut])
    events_cut = data.draw(st.integers(0, len(lines)))
    (path / "events.jsonl").write_bytes(lines[:events_cut])
    # Batches are of similar size: all before the last whole one must be readable.
    least = max(0, int((cut - 5000) / len(stream) * 10 - 1)) * 100
    before = load_run(path)
    assert not before.complete
    readable = before.table.num_rows
    assert readable % 100 == 0 and least <= readable <= 1000
    assert "repaired" in repair_run(path)
    run = load_run(path)
    assert run.complete and run.meta["status"] == "repaired"
    assert run.meta["samples"] == run.table.num_rows == readable
    np.testing.assert_array_equal(run.column("cycle"), np.arange(readable))
    assert len(run.events) in (lines[:events_cut].count(b"\n"), lines[:events_cut].count(b"\n") + 1)
    assert (path / "samples.arrows").exists()
    assert "nothing to do" in repair_run(path)


def test_a_run_without_run_yaml_is_readable_and_repaired(interrupted: Path, tmp_path: Path) -> None:
    path = tmp_path / "0003-bare"
    path.mkdir()
    shutil.copy(interrupted / "samples.arrows", path)
    assert list_runs(tmp_path)[0].status == "interrupted"
    assert load_run(path).table.num_rows == 1000 and load_run(path).events == []
    repair_run(path)
    run = load_run(path)
    assert run.meta["status"] == "repaired" and run.meta["started"] is None
    assert [summary.status for summary in list_runs(tmp_path)] == ["repaired"]


def test_a_run_killed_while_closing_is_repaired(interrupted: Path, tmp_path: Path) -> None:
    path = tmp_path / "0001-cut"
    shutil.copytree(interrupted, path)
    repair_run(path)
    shutil.copy(interrupted / "run.yaml", path)  # as if the new run.yaml had not been written
    (path / ".samples.parquet.part").write_bytes(b"half")
    assert list_runs(tmp_path)[0].status == "interrupted"
    repair_run(path)
    assert load_run(path).column("cycle").shape == (1000,)


def test_a_run_being_recorded_is_not_repaired(tmp_path: Path) -> None:
    with RunWriter(tmp_path, "now", DESCRIPTION) as writer:
        writer.rows(made_rows(5))
        writer.flush()
        assert writer.path is not None
        assert list_runs(tmp_path)[0].status == "recording"
        with pytest.raises(RunError, match="is being recorded"):
            repair_run(writer.path)
        assert load_run(writer.path).table.num_rows == 5


# ---------------------------------------------------------------------- finding runs, bad folders


def test_runs_are_found_by_number_name_folder_and_path(tmp_path: Path) -> None:
    first = make_run(tmp_path, made_rows(1), [], "float")
    second = make_run(tmp_path, made_rows(1), [], "float")
    assert find_run(tmp_path, "1") == find_run(tmp_path, "0001") == first
    assert find_run(tmp_path, "float") == second  # the latest run of that name
    assert find_run(tmp_path, "0001-float") == first
    assert find_run(tmp_path / "..", str(second)) == second
    with pytest.raises(RunError, match=r"no run '7'.*0002-float"):
        find_run(tmp_path, "7")
    with pytest.raises(RunError, match="cannot be read"):
        find_run(tmp_path / "absent", "7")


def test_bad_folders_are_named(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="is not a run folder"):
        load_run(tmp_path / "absent")
    (tmp_path / "0001-empty").mkdir()
    with pytest.raises(RunError, match="holds neither"):
        load_run(tmp_path / "0001-empty")
    path = make_run(tmp_path, made_rows(4), [])
    (path / "samples.parquet").write_bytes(b"PAR1 nonsense")
    with pytest.raises(RunError, match="cannot be read"):
        _ = load_run(path).table
    (path / "run.yaml").write_text("a: [")
    with pytest.raises(RunError, match=r"run.yaml' cannot be used \(not YAML, line \d+"):
        load_run(path)
    (path / "run.yaml").write_text("just text")
    with pytest.raises(RunError, match="not a mapping"):
        load_run(path)
    listed = {summary.path.name: summary for summary in list_runs(tmp_path)}
    assert {summary.status for summary in listed.values()} == {"damaged"}
    assert "not a mapping" in listed[path.name].problem


def test_a_column_that_is_not_there_is_named_with_the_nearest(tmp_path: Path) -> None:
    run = load_run(make_run(tmp_path, made_rows(2), []))
    with pytest.raises(RunError, match="did you mean 'spring_force_N'"):
        run.column("spring_force")
    with pytest.raises(RunError, match="no column"):
        run.unit("x")
