"""Bandwidth, knee and lost motion: found in exactly those simulated runs that show them."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest

from drivers.simulated.lateness import Lateness
from hil.bench import LockstepBench
from hil.core import INDEX, Apply, ConfirmReference, HoldPosition, PowerOn, Sample, Waveform
from hil.profile import Profile, load_profile
from hil.wear.run_signs import run_signs

PROFILE = load_profile("footplate_trainer")
MIDDLE_M = 0.0275
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)


def simulated(**actual: Any) -> Profile:
    simulation = PROFILE.simulation
    assert simulation is not None
    changed = simulation.model_copy(update={"actual": dict(simulation.actual) | actual})
    return PROFILE.model_copy(update={"simulation": changed})


def at_middle(profile: Profile) -> Profile:
    simulation = profile.simulation
    assert simulation is not None
    actual = dict(simulation.actual) | {"initial_output_m": MIDDLE_M}
    return profile.model_copy(
        update={"simulation": simulation.model_copy(update={"actual": actual})}
    )


def columns_of(rows: list[Sample]) -> dict[str, np.ndarray]:
    table = np.array(rows, dtype=float)
    return {name: table[:, at] for name, at in INDEX.items()}


def pressed(profile: Profile, most_N: float = 400.0, lateness: Lateness | None = None) -> Any:
    """Return a run with the output held while the force goes in both directions."""
    bench = LockstepBench(at_middle(profile), 3, lateness)
    bench.environment.hold_output(True)
    bench.run(0.3)
    assert bench.request(ConfirmReference(position_m=MIDDLE_M)).accepted
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    points = ((0.0, 0.0), (0.6, most_N), (1.8, -most_N), (3.0, most_N))
    wave = Waveform(shape="table", points=points, duration_s=3.0)
    outcome = bench.request(Apply(behaviour=wave, load_may_move=True))
    assert outcome.accepted, outcome.text
    rows = bench.run(3.0)
    assert bench.bench.state.name == "RUNNING", bench.bench.cause_text
    return run_signs(columns_of(rows))


@cache
def healthy() -> Any:
    return pressed(PROFILE)


def test_a_healthy_rig_shows_its_knee_and_hardly_any_play() -> None:
    law = PROFILE.calibration.spring_law
    found = healthy()
    assert found["knee_m"] == pytest.approx(law.knee, rel=0.15)
    assert found["lost_motion_m"] < 3e-5
    late = pressed(PROFILE, lateness=LATE)
    assert late["knee_m"] == pytest.approx(found["knee_m"], rel=0.1)


def test_play_of_the_screw_is_the_lost_motion() -> None:
    found = pressed(simulated(backlash_m=1.5e-4))
    assert found["lost_motion_m"] - healthy()["lost_motion_m"] == pytest.approx(1.5e-4, rel=0.25)


def test_a_slower_force_loop_shows_in_the_bandwidth() -> None:
    def bandwidth(asked_Hz: float) -> float:
        control = PROFILE.control.model_copy(update={"force_bandwidth": asked_Hz})
        found = pressed(PROFILE.model_copy(update={"control": control}), 150.0)
        return float(found["bandwidth_Hz"])

    fast, slow = bandwidth(26.0), bandwidth(10.0)
    assert slow < 0.6 * fast


def test_a_run_that_shows_none_says_nothing() -> None:
    bench = LockstepBench(PROFILE, 1)
    bench.run(0.3)
    bench.request(PowerOn(load_supported=True))
    bench.run(0.3)
    bench.request(Apply(behaviour=HoldPosition(position_m=0.01), load_may_move=True))
    found = run_signs(columns_of(bench.run(1.5)))
    assert "lost_motion_m" not in found and "knee_m" not in found
    assert run_signs(columns_of(LockstepBench(PROFILE, 1).run(0.1))) == {}
    nothing = {name: np.full(600, np.nan) for name in INDEX}
    assert run_signs(nothing) == {}
