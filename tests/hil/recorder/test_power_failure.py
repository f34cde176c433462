"""Power failure: files cut at any byte, and directory entries that never reached the disk."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core import COLUMNS, INDEX
from hil.recorder import RunError, list_runs, load_run, repair_run
from hil.recorder.writer import RunWriter

BATCHES, ROWS = 5, 40
DESCRIPTION: dict[str, Any] = {"profile": {"name": "made up"}, "rate_hz": 1000.0}
START = "2000-01-01T00:00:00.000+00:00"


def made_run(runs: Path, closed: bool) -> Path:
    writer = RunWriter(runs, "cut", DESCRIPTION, started=START)
    for batch in range(BATCHES):
        rows = np.zeros((ROWS, len(COLUMNS)))
        rows[:, INDEX["cycle"]] = np.arange(ROWS) + ROWS * batch
        rows[:, INDEX["time_s"]] = rows[:, INDEX["cycle"]] / 1000.0
        writer.rows(rows)
        writer.event({"kind": "marker", "time_s": batch / 10, "text": "m"})
        writer.flush()
    if closed:
        return writer.close()
    writer.abandon()
    assert writer.path is not None
    return writer.path


@pytest.fixture(scope="module", params=[True, False], ids=["closed", "open"])
def whole(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_run(tmp_path_factory.mktemp("runs"), request.param)


def read_all(path: Path) -> int | None:
    """Return the number of samples by every way of reading; None if all refuse with name and fix."""
    found = list_runs(path.parent)
    assert [run.path for run in found] == [path]
    try:
        run = load_run(path)
        cycles = run.column("cycle")
        assert all(event["kind"] == "marker" for event in run.events)
    except RunError as error:
        assert path.name in str(error)
        return None
    np.testing.assert_array_equal(cycles, np.arange(len(cycles)))
    return len(cycles)


@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_each_file_cut_anywhere_is_read_to_its_last_block_or_refused_by_name(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("cut") / whole.name
    shutil.copytree(whole, path)
    victim = data.draw(st.sampled_from(sorted(file.name for file in whole.iterdir())))
    content = (whole / victim).read_bytes()
    cut = data.draw(st.integers(0, len(content) - 1))
    (path / victim).write_bytes(content[:cut])
    readable = read_all(path)
    if readable is not None and victim != "samples.arrows":
        assert readable == ROWS * BATCHES  # a cut in another file loses no samples
    try:
        repair_run(path)
    except RunError as error:
        assert path.name in str(error)
        return
    if readable is not None:
        assert read_all(path) == readable


@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_files_whose_names_are_lost_leave_the_rest_readable(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("lost") / whole.name
    shutil.copytree(whole, path)
    names = sorted(file.name for file in whole.iterdir())
    for name in data.draw(st.sets(st.sampled_from(names))):
        (path / name).unlink()
    samples = [file for file in path.iterdir() if file.name.startswith("samples")]
    assert read_all(path) == (ROWS * BATCHES if samples else None)


@pytest.mark.skipif(not os.path.exists("/proc/self/fd"), reason="open files cannot be named")
def test_names_and_data_are_on_the_medium_once_a_run_was_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: set[Path] = set()
    fsync = os.fsync

    def noting(file: int) -> None:
        synced.add(Path(os.readlink(f"/proc/self/fd/{file}")))
        fsync(file)

    monkeypatch.setattr(os, "fsync", noting)
    writer = RunWriter(tmp_path / "runs", "kept", DESCRIPTION, started=START, patient=True)
    writer.rows(np.zeros((ROWS, len(COLUMNS))))
    writer.event({"kind": "marker", "time_s": 0.0})
    writer.flush(sync=True)
    folder = writer.path
    assert folder is not None
    after_meta = synced - {folder / ".run.yaml.part"}
    assert {folder / "samples.arrows", folder / "events.jsonl", folder, folder.parent} <= after_meta
    # The two files' directory entries existed before the last sync of their folder.
    synced.clear()
    writer.rows(np.ones((ROWS, len(COLUMNS))))
    writer.flush(sync=True)
    assert synced == {folder / "samples.arrows"}  # no more than needed
    writer.abandon()


def test_the_folder_is_synced_after_its_files_were_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[tuple[str, set[str]]] = []

    from hil.recorder import append_file

    def noting(folder: Path) -> None:
        order.append((folder.name, {file.name for file in folder.iterdir()}))

    monkeypatch.setattr(append_file, "sync_folder", noting)
    writer = RunWriter(tmp_path / "runs", "kept", DESCRIPTION, started=START, patient=True)
    writer.event({"kind": "marker", "time_s": 0.0})
    writer.flush(sync=True)
    assert writer.path is not None
    name = writer.path.name
    assert any({"samples.arrows", "events.jsonl"} <= seen for at, seen in order if at == name)
    assert any(name in seen for at, seen in order if at == "runs")
    writer.abandon()
