"""The benchmark of the three sources of motion: its rig under the law of each, by one figure."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from hil.control import design_source
from hil.profile import load_profile

sys.path.insert(0, str(Path(__file__).parent))  # programs here import each other by a bare name
from force_plants import frictionless
from sources import LEVEL_N, Commanded


@pytest.mark.parametrize("source", ["velocity", "position"])
def test_force_noise_is_as_predicted_with_the_feedforward(source: str) -> None:
    profile, parameters = frictionless(load_profile(f"footplate_{source}"))
    stated = profile.sensors.deflection.noise
    rig = Commanded(profile, parameters.but({"sensor_noise_counts": stated}))
    rig.quiet()
    rig.run(3.0, lambda t: LEVEL_N)
    rig.run(3.0, lambda t: LEVEL_N)
    at = np.linspace(-1.0, 1.0, len(rig.true_N))
    found = np.std(rig.true_N - np.polyval(np.polyfit(at, rig.true_N, 4), at))
    period = 1 / profile.control.rate
    predicted = design_source(profile, period, period).predicted.force_noise_N
    assert found == pytest.approx(predicted, rel=0.12)
