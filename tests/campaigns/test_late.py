"""A share of the lateness campaign: figures hold under the declared lateness, or the bench reports it."""

from __future__ import annotations

import pytest
from late import run


@pytest.mark.parametrize(
    ("profile", "behaviour", "lateness"),
    [
        ("footplate_trainer", "spring", "late"),
        ("bench_slide", "hold", "late"),
        ("footplate_trainer", "waveform", "late"),
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
        # A waveform has no figure of its own in the run's analysis.
        assert not session.stopped and session.said[:4] == (
            "" if behaviour == "waveform" else "good"
        )
    else:
        assert "ms late" in session.stopped
