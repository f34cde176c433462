"""The steps under power over drives commanded in velocity or position, on the simulated rig."""

from __future__ import annotations

import pytest

from drivers.simulated import Lateness
from drivers.simulated.injected_faults import INJECTED_FAULTS, injected_faults_of
from hil.bringup.step import Verdict
from hil.bringup.steps_first_motion import FIRST_MOTION
from hil.bringup.steps_travel import TRAVEL
from hil.profile import load_profile
from tests.hil.bringup.test_steps_on import ALL, brought_up, built

OF_THE_LOOP = ("velocity_loop_slow", "velocity_loop_late", "position_loop_stiff")


@pytest.fixture(scope="module")
def whole():
    """Return all steps over a position-commanded drive, which contains a velocity loop as well."""
    return brought_up(built("footplate_position", seed=4), ALL, seed=4)


def test_a_sound_rig_passes_gently(whole):
    verdicts = {key: (r.verdict, r.text, r.findings) for key, r in whole.results.items()}
    assert all(r.verdict is Verdict.PASS for r in whole.results.values()), verdicts
    assert list(whole.results) == [step.key for step in ALL]
    assert whole.bench.bench.reference == "found"
    whole.assert_gentle()
    whole.assert_safe()


def test_the_drives_own_loop_is_measured_as_it_is(whole):
    known, true = whole.context.known, whole.bench.drive.core.parameters
    assert known["velocity_loop_Hz"] == pytest.approx(true.drive_velocity_loop_Hz, rel=0.2)
    assert known["velocity_loop_integral"] == pytest.approx(0.2, abs=0.08)
    assert known["velocity_loop_delay_s"] == pytest.approx(0.0, abs=6e-4)
    assert known["position_loop_Hz"] == pytest.approx(true.drive_position_loop_Hz, rel=0.2)
    plots = [plot.title for plot in whole.results["travel"].plots]
    assert any("own loop" in title for title in plots)


def test_no_loop_is_proposed_that_is_as_stated(whole):
    changes = {key for result in whole.results.values() for key in result.changes}
    assert not {key for key in changes if key.startswith("control.")}


def test_what_is_measured_is_what_the_rig_is(whole):
    known, true = whole.context.known, whole.bench.drive.core.parameters
    assert known["friction_N_m"] == pytest.approx(true.friction_coulomb_N_m, rel=0.1)
    assert known["breakaway_N_m"] == pytest.approx(true.friction_breakaway_N_m, rel=0.3)
    assert known["preload_m"] == pytest.approx(true.spring_preload_m, rel=0.08)
    wanted = whole.context.profile.control.force_bandwidth
    assert 0.5 * wanted < known["loop_bandwidth_Hz"] < 1.5 * wanted
    assert known["loop_margin_deg"] > 40


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("footplate_velocity", "velocity_loop_slow"),
        ("footplate_velocity", "velocity_loop_late"),
        ("footplate_position", "velocity_loop_slow"),
        ("footplate_position", "position_loop_stiff"),
    ],
)
def test_a_loop_that_is_not_as_stated_is_named_with_what_was_measured(name, fault):
    # A wrong speed shows in the first turns.
    step = FIRST_MOTION if fault == "position_loop_stiff" else TRAVEL
    found = brought_up(built(name, (fault,)), (step,))
    code = INJECTED_FAULTS[fault].found_as
    named = found.results[step.key].findings[0]
    assert named.code == code
    found.assert_gentle()
    if step is FIRST_MOTION:
        assert "stopped by motor current" in named.sentence
        return
    true = found.bench.drive.core.parameters
    key, value, unit = {
        "velocity_loop_slow": ("velocity_loop.bandwidth", true.drive_velocity_loop_Hz, "Hz"),
        "velocity_loop_late": ("velocity_loop.delay", 1e3 * true.drive_target_delay_s, "ms"),
    }[fault]
    written = named.changes[f"control.{key}"]
    assert written.endswith(unit)
    assert float(written.split()[0]) == pytest.approx(value, rel=0.25)


def test_a_loop_is_measured_through_late_cycles():
    profile = load_profile("footplate_velocity")
    late = Lateness(share=0.05, up_to_s=0.003, stale_share=0.5)
    found = brought_up(profile, (TRAVEL,), lateness=late)
    result = found.results["travel"]
    assert result.verdict is Verdict.PASS, (result.text, result.findings)
    stated = profile.control.velocity_loop.bandwidth
    assert found.context.known["velocity_loop_Hz"] == pytest.approx(stated, rel=0.25)


@pytest.mark.parametrize("fault", ["phases_swapped", "pole_pairs_wrong"])
def test_a_wrong_field_is_named_before_anything_else_moves(fault):
    found = brought_up(built("footplate_velocity", (fault,)), (FIRST_MOTION,))
    (named,) = found.results["first_motion"].findings
    assert named.code == INJECTED_FAULTS[fault].found_over("velocity") == "first_motion_violent"
    found.assert_gentle()
    found.assert_safe()


def test_faults_of_the_drives_loop_belong_to_the_sources_that_use_it():
    of = {source: set(injected_faults_of(source)) for source in ("torque", "velocity", "position")}
    assert not of["torque"] & set(OF_THE_LOOP)
    assert of["velocity"] & set(OF_THE_LOOP) == set(OF_THE_LOOP[:2])
    assert of["position"] >= set(OF_THE_LOOP)
    assert set().union(*of.values()) == set(INJECTED_FAULTS)


@pytest.mark.parametrize("fault", ["pole_pairs_wrong", "pole_pairs_one_off"])
def test_a_wrong_field_that_stops_the_bench_at_power_on_is_named(fault):
    found = brought_up(built("footplate_position", (fault,)), (FIRST_MOTION,))
    (named,) = found.results[FIRST_MOTION.key].findings
    assert named.code == INJECTED_FAULTS[fault].found_over("position")
    found.assert_gentle()
