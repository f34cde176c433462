"""YAML that the program wrote itself: hostile and damaged files are refused in one sentence."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core import PlainYamlError, read_plain_yaml
from hil.recorder import RunError, load_run, named_run_folder
from hil.recorder.meta import read_meta

# Nine levels of nine references each: about 200 bytes that expand to 9^8 texts.
BOMB = "a0: &a0 [x]\n" + "".join(
    f"a{i}: &a{i} [{','.join([f'*a{i - 1}'] * 9)}]\n" for i in range(1, 9)
)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (BOMB, "aliases"),
        ("[" * 60 + "]" * 60, "nested"),
        ("a: [1", "not YAML, line"),
        ("a: !!python/object/apply:os.system [echo]", "not YAML"),
        ("n: " + "9" * 5000, "not YAML"),
        ("x: '" + "y" * 5000 + "'", "larger"),
        (b"\xff\xfe", "UTF-8"),
    ],
)
def test_refused_with_the_reason(tmp_path: Path, text: str | bytes, why: str) -> None:
    file = tmp_path / "run.yaml"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    most = 4000 if why == "larger" else 1_000_000
    with pytest.raises(PlainYamlError, match=why):
        read_plain_yaml(file, most)


def test_a_pipe_does_not_hold_the_reader(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "run.yaml")
    with pytest.raises(PlainYamlError, match="regular file"):
        read_plain_yaml(tmp_path / "run.yaml")


def test_a_hostile_run_is_one_error(tmp_path: Path) -> None:
    (tmp_path / "run.yaml").write_text(BOMB)
    (tmp_path / "samples.arrows").write_bytes(b"")
    with pytest.raises(RunError, match="aliases"):
        load_run(tmp_path)
    with pytest.raises(RunError, match="aliases"):
        read_meta(tmp_path)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    file = tmp_path_factory.getbasetemp() / "any.yaml"
    file.write_bytes(data)
    try:
        read_plain_yaml(file)
    except PlainYamlError as error:
        assert str(error)


@pytest.mark.parametrize("name", ["../../etc", "/etc/passwd", "0001-a/../../b", "", "..", "walk"])
def test_a_reported_name_that_is_no_run_is_no_path(tmp_path: Path, name: str) -> None:
    assert named_run_folder(tmp_path, name) is None


def test_a_reported_run_lies_in_the_folder_of_runs(tmp_path: Path) -> None:
    assert named_run_folder(tmp_path, "0012-walk") == tmp_path / "0012-walk"
