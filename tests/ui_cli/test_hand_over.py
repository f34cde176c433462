"""``hookeline hand-over``: its refusals; the package itself is tested in tests/hil/handover."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from ui import cli


@pytest.mark.parametrize(
    ("profile", "part"),
    [("footplate_trainer", "there already"), ("footplate_traner", "did you mean")],
)
def test_a_refusal_is_one_line_and_writes_nothing(
    profile: str, part: str, tmp_path: Path, capfd: Any
) -> None:
    kept = tmp_path / "law" / "kept.txt"
    kept.parent.mkdir()
    kept.write_text("mine")
    assert cli.main(("hand-over", "--profile", profile, "--out", str(kept.parent))) == 2
    err = capfd.readouterr().err
    assert part in err and "Traceback" not in err
    assert list(kept.parent.iterdir()) == [kept] and kept.read_text() == "mine"
