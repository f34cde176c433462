"""Names of kept files: dated, one word, and never the name of an existing file."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core import dated, free_path, one_word

AT = datetime.datetime(2026, 3, 4, 5, 6, 7)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("footplate trainer", "footplate-trainer"),
        ("../../Rig 7!", "Rig-7"),
        ("µ", "rig"),
        ("", "rig"),
    ],
)
def test_a_rig_s_name_becomes_one_word(name: str, word: str) -> None:
    assert one_word(name) == word


@given(st.text())
def test_no_name_leaves_its_folder(name: str) -> None:
    path = Path("kept") / dated(one_word(name), AT)
    assert path.parent == Path("kept") and path.name.startswith("20260304-050607-")
    assert path.name.isascii() and not path.name.endswith("-")


def test_what_exists_is_not_taken(tmp_path: Path) -> None:
    folder, file = tmp_path / dated("rig", AT), tmp_path / f"{dated('rig', AT)}.yaml"
    assert free_path(folder) == folder and not folder.exists()
    folder.mkdir()
    file.touch()
    assert free_path(folder).name == "20260304-050607-rig-2"
    assert free_path(file).name == "20260304-050607-rig-2.yaml"
    free_path(folder).mkdir()
    assert free_path(folder).name == "20260304-050607-rig-3"
