"""The last session's reference starts as a guess, and no content of its file can make it more."""

from __future__ import annotations

import json
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.bench import LockstepBench
from hil.core import Apply, ConstantForce, PowerOn
from hil.host.kept_reference import keep_reference, reference_file, take_reference
from hil.profile import load_profile

pytestmark = pytest.mark.usefixtures("own_state")

SIMULATED = load_profile("bench_slide")
REAL = SIMULATED.model_copy(update={"simulation": None})
START_M = 0.010
ZERO_FORCE = Apply(behaviour=ConstantForce(force_N=0.0), load_may_move=True)


def started(kept_m=None, cycles=20):
    """Return a bench at 10 mm, as the next rig host finds the rig."""
    actual = SIMULATED.simulation.actual | {"initial_output_m": START_M}
    simulation = SIMULATED.simulation.model_copy(update={"actual": actual})
    bench = LockstepBench(SIMULATED.model_copy(update={"simulation": simulation}), 1)
    bench.environment.support_load(True)
    bench.bench.kept_offset_m = kept_m
    for _ in range(cycles):
        bench.step()
    return bench


def kept_by_the_last(how="found"):
    last = started()
    last.bench._shift(START_M)
    last.bench.state_reference(how, 0.0)
    assert keep_reference(REAL, last.bench) == ""
    return last.bench


def test_what_was_verified_is_kept_and_begins_the_next_session_as_a_guess():
    last = kept_by_the_last()
    file = reference_file(REAL)
    assert file.stat().st_mode & 0o777 == 0o600
    kept, doubt = take_reference(REAL)
    assert kept.offset_m == last.nut_offset_m and kept.how == "found" and not doubt
    assert not file.exists()  # taken at the start: a killed rig host leaves no file
    bench = started(kept.offset_m, 300)
    assert bench.bench.reference == "kept"
    truth_m = bench.environment.state()["output_position_m"]
    assert bench.bench.estimator.output_position_m == pytest.approx(truth_m, abs=1e-4)
    assert [e["how"] for e in bench.events if e["kind"] == "reference"] == ["kept"]
    # The reference is a guess, so the loop stays open.
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.2)
    refused = bench.request(ZERO_FORCE)
    assert not refused.accepted and "kept from the last session, but not checked" in refused.text


def test_one_that_puts_the_output_outside_the_stroke_is_dropped():
    bench = started(0.5)
    assert bench.bench.reference == "unverified"
    assert bench.bench.estimator.output_position_m == pytest.approx(0.0, abs=5e-3)
    assert any("the kept reference is discarded" in e.get("text", "") for e in bench.events)


@pytest.mark.parametrize("how", ["unverified", "lost"])
def test_what_nobody_verified_is_not_kept(how):
    kept_by_the_last(how)
    assert not reference_file(REAL).exists()


def test_a_guess_stays_a_guess_over_a_session_in_which_nobody_checked_it():
    kept_by_the_last("kept")
    assert take_reference(REAL)[0].how == "kept"


def test_another_profile_and_a_simulated_rig_have_none():
    kept_by_the_last()
    stroke = REAL.actuator.model_copy(update={"stroke": 0.08})
    assert take_reference(REAL.model_copy(update={"actuator": stroke})) == (None, "")
    assert take_reference(SIMULATED) == (None, "")
    assert reference_file(REAL).exists()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{", "[" * 3000, "x" * 5000, json.dumps({"schema_version": 1, "offset_m": True})],
)
def test_a_damaged_file_is_reported_and_not_taken(text):
    kept_by_the_last()
    reference_file(REAL).write_text(text)
    kept, doubt = take_reference(REAL)
    assert kept is None and "cannot be relied on" in doubt and "Fix:" in doubt


def test_a_file_that_others_could_have_written_is_not_taken(tmp_path):
    kept_by_the_last()
    file = reference_file(REAL)
    file.chmod(0o666)
    assert take_reference(REAL)[0] is None
    away = tmp_path / "elsewhere"
    file.rename(away)
    away.chmod(0o600)
    os.symlink(away, file)
    assert take_reference(REAL)[0] is None


VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=200))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.sampled_from(["schema_version", "offset_m", "how", "when"]), VALUES)
def test_no_value_gets_through_that_is_no_reference(name, value):
    file = reference_file(REAL)
    good = {"schema_version": 1, "offset_m": 0.01, "how": "found", "when": "2026"}
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    file.write_text(json.dumps(good | {name: value}))
    file.chmod(0o600)
    kept, doubt = take_reference(REAL)
    assert (kept is None) == bool(doubt)
    if kept is not None:
        assert isinstance(kept.offset_m, float) and abs(kept.offset_m) < 1e3
        assert kept.how.isprintable() and len(kept.how) < 100
