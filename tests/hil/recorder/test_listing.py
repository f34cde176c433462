"""Labels, the bin, and the index that speeds up the list of runs."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.recorder import (
    RunError,
    bin_run,
    change_labels,
    empty_bin,
    find_run,
    list_binned,
    list_runs,
    load_run,
    read_labels,
    restore_run,
)
from hil.recorder import listing as listing_module
from hil.recorder.writer import RunWriter
from tests.hil.recorder.made_runs import made_rows, make_run


@pytest.fixture
def three(tmp_path: Path) -> Path:
    """Make three runs, settled long ago."""
    for name in ("float", "push", "wave"):
        make_run(tmp_path, made_rows(20), [], name)
    settle(tmp_path)
    return tmp_path


def settle(directory: Path) -> None:
    """Make files and folders an hour old: the index trusts only settled ones."""
    then = time.time() - 3600.0
    for folder, _, files in os.walk(directory, topdown=False):
        for file in files:
            os.utime(Path(folder) / file, (then, then))
        os.utime(folder, (then, then))


def read_again(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Record the names of the folders whose files the next lists read."""
    names: list[str] = []
    real = listing_module._summary

    def told(folder: Path):
        names.append(folder.name)
        return real(folder)

    monkeypatch.setattr(listing_module, "_summary", told)
    return names


# ------------------------------------------------------------------ index


def test_a_second_list_is_the_same_and_reads_no_run_again(
    three: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    change_labels(three / "0002-push", tags=("fast", "spring-3"), pinned=True)
    settle(three)
    first = list_runs(three)
    names = read_again(monkeypatch)
    assert list_runs(three) == first
    assert names == []
    assert first[1].tags == ("fast", "spring-3") and first[1].pinned


def test_what_changes_is_seen(three: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    list_runs(three)
    names = read_again(monkeypatch)
    change_labels(three / "0002-push", name="hard push")
    assert [run.name for run in list_runs(three)] == ["float", "hard push", "wave"]
    meta = three / "0003-wave" / "run.yaml"
    meta.write_text(meta.read_text().replace("note: a note", "note: by hand"))
    assert list_runs(three)[2].note == "by hand"
    (three / "0001-float" / "samples.parquet").unlink()
    assert list_runs(three)[0].status == "damaged"
    assert set(names) == {"0001-float", "0002-push", "0003-wave"}


def test_what_was_changed_just_now_is_not_trusted(tmp_path: Path) -> None:
    path = make_run(tmp_path, made_rows(20), [])
    list_runs(tmp_path)
    before = os.stat(path / "run.yaml"), os.stat(path)
    text = (path / "run.yaml").read_text()
    (path / "run.yaml").write_text(text.replace("note: a note", "note: b note"))
    # Within one tick of the clock: same times, same size.
    os.utime(path / "run.yaml", ns=(before[0].st_atime_ns, before[0].st_mtime_ns))
    os.utime(path, ns=(before[1].st_atime_ns, before[1].st_mtime_ns))
    assert list_runs(tmp_path)[0].note == "b note"


@given(st.binary(max_size=200), st.integers(0, 400))
def test_a_damaged_index_does_no_harm(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: int
) -> None:
    directory = tmp_path_factory.getbasetemp() / "indexed"
    if not directory.exists():
        directory.mkdir()
        make_run(directory, made_rows(20), [])
        settle(directory)
    expected = list_runs(directory)
    index = directory / ".index.json"
    whole = index.read_bytes()
    index.write_bytes(whole[:at] + junk + whole[at:])
    assert list_runs(directory) == expected


def test_a_run_being_recorded_is_looked_at_each_time(
    three: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RunWriter(three, "now", {}, started="2000-01-01T00:00:00.000+00:00") as writer:
        writer.rows(made_rows(20))
        writer.flush()
        settle(three)
        list_runs(three)
        names = read_again(monkeypatch)
        assert list_runs(three)[3].status == "recording"
    assert list_runs(three)[3].status == "complete"
    assert names == ["0004-now", "0004-now"]


def test_a_directory_that_cannot_be_written_is_listed(
    three: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    assert len(list_runs(three)) == 3
    assert not (three / ".index.json").exists()


# ------------------------------------------------------------------ labels


def test_labels_leave_the_record_as_it_was(three: Path) -> None:
    path = three / "0001-float"
    record = (path / "run.yaml").read_bytes()
    change_labels(path, name=" light \n float ", note="felt stiff", tags=("a", "b", "a"))
    run = load_run(path)
    assert (run.name, run.note, run.labels.tags) == ("light float", "felt stiff", ("a", "b"))
    assert (path / "run.yaml").read_bytes() == record
    assert find_run(three, "light float") == path
    change_labels(path, name="", note=None)
    assert (load_run(path).name, load_run(path).note) == ("float", "a note")
    assert read_labels(path).tags == ("a", "b")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tags": ("two words",)}, "'two words' is not a tag"),
        ({"tags": ("#x",)}, "'#x' is not a tag"),
        ({"tags": tuple(f"t{i}" for i in range(21))}, "21 tags"),
        ({"name": "n" * 81}, "81 characters"),
        ({"note": "n" * 4001}, "4001 characters"),
    ],
)
def test_labels_that_cannot_be_kept_are_refused(
    three: Path, changes: dict[str, object], said: str
) -> None:
    change_labels(three / "0001-float", tags=("kept",))
    with pytest.raises(RunError, match=said):
        change_labels(three / "0001-float", **changes)
    assert read_labels(three / "0001-float").tags == ("kept",)


@pytest.mark.parametrize(
    "text", ["- a\n", "tags: 3\nschema_version: 1\n", "{", "schema_version: 9"]
)
def test_a_broken_labels_file_is_reported_and_the_run_opens(three: Path, text: str) -> None:
    (three / "0001-float" / "labels.yaml").write_text(text)
    [run, *_] = list_runs(three)
    assert "labels.yaml" in run.problem and run.status == "complete"
    assert load_run(run.path).table.num_rows == 20
    with pytest.raises(RunError, match=r"labels\.yaml"):
        change_labels(run.path, pinned=True)


# ------------------------------------------------------------------ bin


def test_a_binned_run_leaves_the_list_and_comes_back_unchanged(three: Path) -> None:
    before = {file.name: file.read_bytes() for file in (three / "0002-push").iterdir()}
    bin_run(three / "0002-push")
    assert [run.number for run in list_runs(three)] == [1, 3]
    assert [folder.name for folder in list_binned(three)] == ["0002-push"]
    assert make_run(three, made_rows(5), []).name == "0004-float"
    assert restore_run(three, "2") == three / "0002-push"
    assert {file.name: file.read_bytes() for file in (three / "0002-push").iterdir()} == before
    assert list_binned(three) == []


def test_what_may_not_go_into_the_bin_stays(three: Path) -> None:
    change_labels(three / "0001-float", pinned=True)
    with pytest.raises(RunError, match="is pinned"):
        bin_run(three / "0001-float")
    with RunWriter(three, "now", {}, started="2000-01-01T00:00:00.000+00:00") as writer:
        writer.rows(made_rows(20))
        writer.flush()
        assert writer.path is not None
        with pytest.raises(RunError, match="being recorded"):
            bin_run(writer.path)
    with pytest.raises(RunError, match="not a run folder"):
        bin_run(three / "0009-none")
    assert len(list_runs(three)) == 4


def test_a_place_that_is_taken_is_not_written_over(three: Path) -> None:
    bin_run(three / "0001-float")
    make_run(three, made_rows(5), []).rename(three / "0001-float")
    with pytest.raises(RunError, match="already exists"):
        restore_run(three, "0001-float")
    with pytest.raises(RunError, match="already exists"):
        bin_run(three / "0001-float")
    with pytest.raises(RunError, match=r"no run '7' in the bin .*0001-float"):
        restore_run(three, "7")


def test_an_emptied_bin_is_empty(three: Path) -> None:
    assert empty_bin(three) == 0
    bin_run(three / "0001-float")
    bin_run(three / "0003-wave")
    assert empty_bin(three) == 2
    assert list_binned(three) == [] and len(list_runs(three)) == 1
