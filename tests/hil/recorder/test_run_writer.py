"""Writing, reading and repairing runs in one process."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.ipc
import pyarrow.parquet as pq
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.samples import COLUMNS, INDEX
from hil.recorder import RunError, load_run
from hil.recorder.append_file import Disk
from hil.recorder.table import ROW_GROUP
from hil.recorder.writer import RunWriter
from tests.hil.recorder.made_runs import DESCRIPTION, START, WIDTH, made_rows, make_run


class Full(Disk):
    """A disk with a number of bytes left; a write that does not fit is cut short."""

    def __init__(self, left: int) -> None:
        self.left = left

    def write(self, file: int, data: memoryview) -> int:
        if self.left <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count = super().write(file, data[: self.left])
        self.left -= count
        return count


# ---------------------------------------------------------------------- content of a run


def test_a_run_holds_what_was_written(tmp_path: Path) -> None:
    rows = made_rows(1234)
    rows[5, INDEX["spring_force_N"]] = np.nan
    path = make_run(tmp_path, rows, [10, 700])
    assert sorted(file.name for file in path.iterdir()) == [
        "events.jsonl",
        "run.yaml",
        "samples.parquet",
    ]
    run = load_run(path)
    assert run.complete and run.number == 1 and run.name == "float"
    for i, column in enumerate(COLUMNS):
        stored = run.column(column.name)
        assert stored.dtype == np.dtype(column.kind)
        np.testing.assert_array_equal(stored, rows[:, i].astype(column.kind))
        assert run.unit(column.name) == column.unit
    assert [event["time_s"] for event in run.events] == [0.01, 0.7, 1.234]
    assert run.meta["note"] == "a note"
    assert run.meta["calibration"] == {"zero": 2048.0}
    assert run.meta["samples"] == 1234 and run.meta["lost_samples"] == 0
    assert run.meta["ended"] == "2000-01-01T00:00:01.233+00:00"
    assert run.meta["software"]["hookeline"] == "9.9"
    assert [column["unit"] for column in run.meta["columns"]] == [c.unit for c in COLUMNS]


def test_the_files_need_no_code_of_ours(tmp_path: Path) -> None:
    path = make_run(tmp_path, made_rows(50), [])
    table = pq.read_table(path / "samples.parquet")
    force = table.schema.field("spring_force_N")
    assert force.metadata[b"unit"] == b"N"
    assert b"calibration" in force.metadata[b"description"]
    told = json.loads(pq.read_metadata(path / "samples.parquet").metadata[b"columns"])
    assert told[6] == {"name": "spring_force_N", "unit": "N", "description": COLUMNS[6].description}
    pa.csv.write_csv(table, tmp_path / "run.csv")
    lines = (tmp_path / "run.csv").read_text().splitlines()
    assert len(lines) == 51 and lines[0].startswith('"time_s","cycle"')
    assert yaml.safe_load((path / "run.yaml").read_text())["status"] == "complete"
    for line in (path / "events.jsonl").read_text().splitlines():
        assert json.loads(line)["kind"] == "marker"


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.integers(0, 400), max_size=6), seed=st.integers(0, 9))
def test_equal_samples_give_equal_files_however_they_come(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], seed: int
) -> None:
    rows = made_rows(400, seed=seed)
    contents = []
    for pieces in ([], sorted(cuts)):
        runs = tmp_path_factory.mktemp("runs")
        with RunWriter(runs, "same", DESCRIPTION, started=START) as writer:
            for part in np.split(rows, pieces):
                writer.rows(part)
                writer.flush()
        assert writer.path is not None
        contents.append(
            [
                (writer.path / name).read_bytes()
                for name in ("samples.parquet", "events.jsonl", "run.yaml")
            ]
        )
    assert contents[0] == contents[1]


def test_row_groups_have_one_size_in_a_long_run(tmp_path: Path) -> None:
    rows = made_rows(1000)
    with RunWriter(tmp_path, "long", DESCRIPTION) as writer:
        for _ in range(ROW_GROUP * 2 // 1000 + 5):
            writer.rows(rows)
    assert writer.path is not None
    found = pq.read_metadata(writer.path / "samples.parquet")
    sizes = [found.row_group(i).num_rows for i in range(found.num_row_groups)]
    assert sizes[:2] == [ROW_GROUP, ROW_GROUP] and sum(sizes) == writer.samples


def test_a_callers_buffer_may_be_refilled(tmp_path: Path) -> None:
    buffer = made_rows(10)
    with RunWriter(tmp_path, "reused", DESCRIPTION) as writer:
        for block in range(3):
            buffer[:, INDEX["cycle"]] = np.arange(10) + 10 * block
            writer.rows(buffer)
    assert writer.path is not None
    np.testing.assert_array_equal(load_run(writer.path).column("cycle"), np.arange(30))


def test_lost_samples_are_counted(tmp_path: Path) -> None:
    with RunWriter(tmp_path, "gap", DESCRIPTION) as writer:
        writer.rows(made_rows(100))
        writer.rows(made_rows(100, first=130))
    assert writer.path is not None
    assert load_run(writer.path).meta["lost_samples"] == writer.lost_samples == 30


def test_a_code_that_is_no_number_is_missing_and_not_made_up(tmp_path: Path) -> None:
    rows = made_rows(3)
    rows[1, INDEX["fault_code"]] = np.nan
    rows[2, INDEX["status_word"]] = 1e12
    run = load_run(make_run(tmp_path, rows, []))
    assert run.table.column("fault_code").null_count == 1
    assert np.isnan(run.column("fault_code")[1])
    assert run.table.column("status_word").null_count == 1


@pytest.mark.parametrize(
    "rows", [np.zeros(WIDTH), np.zeros((2, WIDTH - 1)), np.zeros((1, 2, WIDTH))]
)
def test_rows_of_another_shape_are_refused(tmp_path: Path, rows: np.ndarray) -> None:
    with RunWriter(tmp_path, "shape", DESCRIPTION) as writer:
        with pytest.raises(RunError, match="shape"):
            writer.rows(rows)
        writer.rows(np.zeros((0, WIDTH)))
    assert writer.samples == 0


def test_an_empty_run_is_a_run(tmp_path: Path) -> None:
    run = load_run(make_run(tmp_path, made_rows(0), []))
    assert run.table.num_rows == 0 and run.column("time_s").shape == (0,)
    assert run.table.schema.field("time_s").metadata[b"unit"] == b"s"


def test_a_closed_run_takes_no_more(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path, "closed", DESCRIPTION)
    assert writer.close() == writer.close()
    with pytest.raises(RunError, match="closed already"):
        writer.rows(made_rows(1))
    with pytest.raises(RunError, match="closed already"):
        writer.event({"kind": "marker"})


def test_an_error_in_the_session_is_how_it_ended(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), RunWriter(tmp_path, "failing", DESCRIPTION) as writer:
        writer.rows(made_rows(7) / 1)
        _ = 1 / 0
    assert writer.path is not None
    run = load_run(writer.path)
    assert run.complete and run.table.num_rows == 7
    assert "division by zero" in run.meta["how_it_ended"]


# ---------------------------------------------------------------------- folders


def test_numbers_rise_and_are_never_given_twice(tmp_path: Path) -> None:
    names = [make_run(tmp_path, made_rows(1), [], name).name for name in ("a", "b c/d", "..")]
    assert names == ["0001-a", "0002-b-c-d", "0003-run"]
    shutil.rmtree(tmp_path / "0003-run")
    assert make_run(tmp_path, made_rows(1), []).name == "0004-float"
    (tmp_path / ".last_number").unlink()
    assert make_run(tmp_path, made_rows(1), []).name == "0005-float"
    (tmp_path / ".last_number").write_text("nonsense")
    (tmp_path / "0020-brought-from-elsewhere").mkdir()
    assert make_run(tmp_path, made_rows(1), []).name == "0021-float"


def test_recorders_at_once_get_different_numbers(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom pathlib import Path\nfrom hil.recorder.folders import new_run_folder\n"
        "for _ in range(30): new_run_folder(Path(sys.argv[1]), sys.argv[2])\n"
    )
    processes = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path), name]) for name in "abc"
    ]
    assert [process.wait(30) for process in processes] == [0, 0, 0]
    numbers = sorted(int(path.name[:4]) for path in tmp_path.glob("0*-?"))
    assert numbers == list(range(1, 91))


# ---------------------------------------------------------------------- bad disks


def test_a_full_disk_is_said_at_once_in_process(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RunError, match="free disk space or choose another directory"):
        RunWriter(tmp_path / "file", "float", DESCRIPTION)
    writer = RunWriter(tmp_path, "float", DESCRIPTION, disk=Full(0))
    writer.rows(made_rows(10))
    with pytest.raises(RunError, match="No space left"):
        writer.close()


@settings(max_examples=12, deadline=None)
@given(room=st.lists(st.integers(0, 30_000), min_size=1, max_size=5))
def test_a_full_disk_loses_nothing_once_there_is_room(
    tmp_path_factory: pytest.TempPathFactory, room: list[int]
) -> None:
    disk = Full(0)
    writer = RunWriter(tmp_path_factory.mktemp("runs"), "f", DESCRIPTION, patient=True, disk=disk)
    rows = made_rows(400)
    for part, left in zip(np.array_split(rows, len(room)), room, strict=True):
        writer.rows(part)
        writer.event({"kind": "marker", "cycle": writer.samples})
        disk.left = left
        try:
            writer.flush(sync=True)
        except OSError as error:
            assert error.errno == errno.ENOSPC
    disk.left = 10**9
    run = load_run(writer.close())
    np.testing.assert_array_equal(run.column("cycle"), np.arange(400))
    assert len(run.events) == len(room)


@pytest.mark.parametrize("removed", [".", "samples.arrows", "events.jsonl", "run.yaml"])
def test_what_is_removed_while_recording_is_written_anew(tmp_path: Path, removed: str) -> None:
    writer = RunWriter(tmp_path, "float", DESCRIPTION)
    writer.rows(made_rows(500))
    writer.event({"kind": "marker", "text": "before"})
    writer.flush(sync=True)
    assert writer.path is not None
    if removed == ".":
        shutil.rmtree(writer.path)
    else:
        (writer.path / removed).unlink()
    writer.rows(made_rows(500, first=500))
    writer.event({"kind": "marker", "text": "after"})
    run = load_run(writer.close())
    np.testing.assert_array_equal(run.column("cycle"), np.arange(1000))
    assert [event["text"] for event in run.events] == ["before", "after"]
    assert run.meta["status"] == "complete"
