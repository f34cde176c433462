"""A share of the lateness campaign: figures hold under the declared lateness, or the bench says so."""

from __future__ import annotations

import pytest
from late import run


@pytest.mark.parametrize(
    ("profile", "behaviour", "lateness"),
    [
        ("footplate_trainer", "spring", "late"),
        ("bench_slide", "hold", "late"),
        ("treadle_can", "force", "late, pauses"),
        ("footplate_trainer", "force", "pauses borne"),
    ],
)
def test_figures_hold_or_the_bench_stops_and_says_so(
    profile: str, behaviour: str, lateness: str
) -> None:
    session = run((profile, behaviour, lateness))
    assert session.wrong == ""
    if lateness != "late, pauses":
        assert not session.stopped and session.said.startswith("good")
    else:
        assert "ms late" in session.stopped
