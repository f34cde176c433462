"""Each measurement of a geared joint: every figure near the truth of its rig, in a rotary unit."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from drivers.motion import BY_UNIT, speaking, unit_name
from hil.measure import assemble, chosen, measure_in_lockstep
from hil.profile import load_profile

JOINT = "rotary_joint"
# A band covers its truth in 95 of 100 cases: in one run a figure may be outside, but not far.
FAR_BANDS = 2.0
OUTSIDE = 1


@pytest.mark.timeout(600)  # heat: ten minutes and more of simulated time
@pytest.mark.parametrize("key", [test.key for test in chosen([])])
def test_figures_are_those_of_the_joint(key: str, tmp_path: Path) -> None:
    end, _bench = measure_in_lockstep(load_profile(JOINT), key, 1, tmp_path / "runs" / key)
    assert end.how == "finished", end.text
    sheet = assemble(tmp_path, chosen([key]))
    assert not [tested.problem for tested in sheet.tested if tested.problem]
    judged = [c for c in sheet.characteristics if c.covered is not None]
    assert judged
    errors = {c.name: abs(c.value - c.truth) / c.u95 for c in judged}
    assert max(errors.values()) <= FAR_BANDS, errors
    assert sum(error > 1 for error in errors.values()) <= OUTSIDE, errors
    with speaking("rotary"):
        shown = [c.as_shown() for c in sheet.characteristics]
        linear = {unit for unit in BY_UNIT if unit_name(unit) != unit}
    assert not [c.name for c in shown if c.unit in linear]
    assert not [c.name for c in shown if math.isfinite(c.value) and c.unit.startswith("N/")]
