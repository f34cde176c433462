"""Figures of the shortest test cover the truth with late cycles; a campaign covers the others."""

from pathlib import Path

import pytest

from drivers.simulated import Lateness
from hil.measure import TESTS, assemble, measure_in_lockstep
from hil.profile import load_profile

PROFILE = load_profile("footplate_trainer")
LATE = Lateness(share=0.01, up_to_s=0.002)


@pytest.mark.parametrize("key", ["shock"])
def test_figures_cover_the_truth(key: str, tmp_path: Path) -> None:
    end, _bench = measure_in_lockstep(PROFILE, key, 3, tmp_path / "runs", lateness=LATE)
    assert end.how == "finished", end.text
    sheet = assemble(tmp_path, TESTS)
    assert [tested.problem for tested in sheet.tested] == [""]
    wrong = [c for c in sheet.characteristics if c.covered is False]
    assert wrong == []
    assert all(c.u95 > 0.0 for c in sheet.characteristics)
