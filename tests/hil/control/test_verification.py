"""Conditions for a rig to run at its profile's own limits."""

from __future__ import annotations

import json
from typing import Any

import pytest

from hil.bench import LockstepBench
from hil.control import (
    reduced_profile,
    safety_fingerprint,
    standing,
    verified_directory,
    verify,
    withdraw,
)
from hil.core import Commission, EndCommission
from hil.profile import load_profile

pytestmark = pytest.mark.usefixtures("own_state")

SIMULATED = load_profile("footplate_trainer")
REAL = SIMULATED.model_copy(update={"simulation": None})
WHEN = "2026-01-02T03:04:05+00:00"


def with_force(newtons):
    limits = REAL.limits
    force = limits.force.model_copy(update={"limited": newtons})
    return REAL.model_copy(update={"limits": limits.model_copy(update={"force": force})})


def test_a_simulated_rig_is_verified_by_nature():
    assert standing(SIMULATED).how == "simulated" and standing(SIMULATED).open


def test_a_real_rig_is_reduced_until_a_bring_up_has_passed_and_again_when_it_is_withdrawn(tmp_path):
    before = standing(REAL)
    assert not before.open and "never brought up" in before.text and "Fix: run" in before.text
    verify(REAL, tmp_path, WHEN)
    after = standing(REAL)
    assert after.open and after.since == WHEN and after.record == str(tmp_path)
    withdraw(REAL)
    assert not standing(REAL).open


def test_a_change_that_concerns_safety_shuts_the_limits_and_is_named(tmp_path):
    verify(REAL, tmp_path, WHEN)
    found = standing(with_force(301.0))
    assert not found.open and "limits.force.limited was" in found.text and "is 301" in found.text


def test_a_sensor_whose_sign_turns_is_another_rig_but_a_new_calibration_is_not(tmp_path):
    verify(REAL, tmp_path, WHEN)
    part = REAL.calibration
    for factor, is_open in ((1.01, True), (-1.0, False)):
        scale = part.deflection_per_count * factor
        changed = part.model_copy(update={"deflection_per_count": scale})
        assert standing(REAL.model_copy(update={"calibration": changed})).open is is_open


@pytest.mark.parametrize("text", ["", "[]", "{", json.dumps({"schema_version": 1})])
def test_a_damaged_file_opens_nothing(tmp_path, text):
    file = verify(REAL, tmp_path, WHEN)
    file.write_text(text)
    assert not standing(REAL).open


def test_a_file_that_others_could_have_written_opens_nothing(tmp_path):
    verify(REAL, tmp_path, WHEN).chmod(0o666)
    found = standing(REAL)
    assert not found.open and "cannot be relied on" in found.text


def test_a_file_of_another_rig_under_this_name_opens_nothing(tmp_path):
    other = verify(with_force(301.0), tmp_path, WHEN)
    other.rename(verified_directory() / f"{safety_fingerprint(REAL)}.json")
    assert not standing(REAL).open


def test_a_typed_confirmation_opens_the_limits_and_is_kept():
    found = standing(REAL, confirmed="word")
    assert found.open and found.confirmed == "word" and found.how == "confirmed_unverified"
    assert found.text.startswith("UNVERIFIED")


def test_the_bench_works_an_unverified_rig_at_reduced_limits():
    bench = LockstepBench(SIMULATED, 1).bench
    bench.reduce()
    own, least = SIMULATED.limits, reduced_profile(SIMULATED).limits
    for name in ("force", "speed", "current"):
        now = getattr(bench.profile.limits, name)
        assert now.limited < 0.5 * getattr(own, name).limited
        assert now.tripped < (getattr(own, name).tripped or float("inf"))
    # Without a held control a request does not raise them.
    wide: dict[str, Any] = dict(
        force_N=1e4, speed_m_s=10.0, torque_N_m=100.0, closed_loop=True, ends_known=True
    )
    assert bench.ask(Commission(**wide, hold_to_run=False)).accepted
    assert bench.profile.limits.force.limited <= least.force.limited
    assert bench.ask(EndCommission()).accepted
    assert bench.profile.limits == least
    assert bench.ask(Commission(**wide)).accepted
    assert bench.profile.limits.force.limited == own.force.limited
