"""Seeking the reference: an end at low force with the control held, and false ends."""

from __future__ import annotations

import pytest

from drivers.simulated import Lateness
from hil.bench import LockstepBench, is_verified
from hil.control import repeatability, seek_figures
from hil.core import (
    Apply,
    Commission,
    ConfirmReference,
    Enable,
    EndCommission,
    PowerOn,
    SeekReference,
    State,
)
from hil.profile import load_profile

STROKE_M = 0.020  # shortened: a seek over the whole stroke would take three times as long
TRAINER = load_profile("footplate_trainer")
PROFILE = TRAINER.model_copy(
    update={"actuator": TRAINER.actuator.model_copy(update={"stroke": STROKE_M})}
)
SLIDE = load_profile("bench_slide")
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)
START_M, NEAR_M = 0.010, 0.004
LOWER = SeekReference(end="lower", touches=2)
LONGEST_S = 60.0
STEP_S = 0.05


def started_at(output_m, profile=PROFILE, lateness=None, supported=True, **actual):
    """Return a new rig host on a rig that stands there, without a weight on the rod."""
    own = profile.simulation.actual | {"initial_output_m": output_m} | actual
    simulation = profile.simulation.model_copy(update={"actual": own})
    bench = LockstepBench(profile.model_copy(update={"simulation": simulation}), 1, lateness)
    bench.environment.support_load(supported)
    bench.run(0.5 if supported else 3.0)
    return bench


def ready(bench):
    """Enter restricted operation with the control held and power on."""
    assert bench.request(seek_figures(bench.profile).envelope).accepted
    bench.request(Enable(held=True))
    outcome = bench.request(PowerOn(load_supported=True))
    assert outcome.accepted, outcome.text
    bench.run(0.1)
    bench.environment.reset_peaks()


def hold(bench, during=lambda bench: None):
    """Hold the control until power goes; return the last event about the reference."""
    for _ in range(round(LONGEST_S / STEP_S)):
        bench.request(Enable(held=True))
        during(bench)
        bench.run(STEP_S)
        if bench.bench.state in (State.DE_ENERGISED, State.STOPPED):
            break
    told = [e for e in bench.events if e["kind"] in ("reference", "reference_not_found")]
    return told[-1] if told else {}


def sought(bench, seek=LOWER, during=lambda bench: None):
    ready(bench)
    outcome = bench.request(Apply(behaviour=seek))
    assert outcome.accepted, outcome.text
    return hold(bench, during)


def error_m(bench):
    """Return the error of the bench's output position, in m."""
    bench.run(1.0)
    truth_m = bench.environment.state()["output_position_m"]
    return bench.bench.estimator.output_position_m - truth_m


def test_an_end_is_found_from_mid_stroke_and_borne_out_by_the_other():
    bench = started_at(START_M, lateness=LATE)
    told = sought(bench)
    assert told["how"] == bench.bench.reference == "found", told
    assert is_verified(bench.bench.reference)
    assert "both ends lie 20.0" in told["text"] and "R = 4 s" in told["text"]
    assert told["shift_mm"] == pytest.approx(1e3 * START_M, abs=0.1)
    assert len(told["touches_mm"]) == 2 and 0 < told["repeatability_um"] < 50
    assert abs(error_m(bench)) < 5e-5
    # The ends were met gently, and power is off at the end.
    assert bench.environment.state()["peak_end_speed_m_s"] < 0.02
    assert bench.bench.state is State.DE_ENERGISED
    assert bench.request(EndCommission()).accepted


@pytest.mark.parametrize(("upper_m", "beyond_m"), [(0.018, 0.0015), (0.0175, 0.0015)])
def test_a_stroke_that_puts_the_tripped_line_past_the_end_found_is_refused(upper_m, beyond_m):
    travel = PROFILE.limits.travel.model_copy(update={"upper": upper_m, "tripped_beyond": beyond_m})
    limits = PROFILE.limits.model_copy(update={"travel": travel})
    # Within the tolerance of the stroke: 19.3 mm of the stated 20.
    bench = started_at(START_M, PROFILE.model_copy(update={"limits": limits}), stroke_m=0.0193)
    told = sought(bench)
    if upper_m + beyond_m <= 0.0193:
        assert told["kind"] == "reference", told
        return
    assert told["kind"] == "reference_not_found" and not is_verified(bench.bench.reference)
    assert "ends lie 19.3 mm apart, the stroke is stated as 20.0 mm" in told["text"]
    assert "trips at 19.5 mm only" in told["text"]
    assert told["text"].endswith(
        "Fix: write actuator.stroke: 19.3 mm, and limits.travel.upper: 17.8 mm at most"
    )


def test_a_reference_known_before_bears_an_end_out_without_the_other():
    bench = started_at(3e-4, SLIDE, LATE, supported=False)
    assert bench.request(ConfirmReference(position_m=0.0)).accepted
    told = sought(bench, SeekReference(end="lower", touches=2))
    assert told["how"] == "found", told
    assert "known before" in told["text"] and len(told["touches_mm"]) == 2
    # The slide's own weight, 59 N, was lowered onto the end before the torque went.
    assert bench.environment.state()["peak_end_speed_m_s"] < 0.02
    assert abs(error_m(bench)) < 5e-5


def test_a_hand_that_holds_the_output_is_not_an_end():
    bench = started_at(START_M)

    def grip(bench):
        if bench.environment.state()["output_position_m"] < NEAR_M:
            bench.environment.hold_output(True)

    told = sought(bench, during=grip)
    assert told["kind"] == "reference_not_found" and "did not come back" in told["text"]
    assert bench.bench.reference == "unverified" and bench.bench.state is State.DE_ENERGISED


def test_a_hand_that_pushes_back_is_not_an_end():
    bench = started_at(START_M)

    def push(bench):
        near = bench.environment.state()["output_position_m"] < NEAR_M
        bench.environment.push(5.0 if near else 0.0, 0.0, 0.5)

    told = sought(bench, during=push)
    assert bench.bench.reference == "unverified", told


def test_a_reversed_deflection_sensor_gives_no_reference_and_presses_no_harder():
    bench = started_at(0.003, sensor_sign=-1.0)
    told = sought(bench)
    assert bench.bench.state in (State.STOPPED, State.DE_ENERGISED), told
    assert bench.bench.reference == "unverified"
    peak_N = bench.environment.state()["peak_driven_force_N"]
    assert peak_N < seek_figures(PROFILE).force_N


def test_a_tight_screw_is_not_an_end():
    bench = started_at(START_M)

    def jam(bench):
        if bench.environment.state()["output_position_m"] < NEAR_M:
            bench.environment.disturb("friction_factor", 12.0)

    told = sought(bench, during=jam)
    assert told["kind"] == "reference_not_found", told
    assert "the screw is tight there" in told["text"] and "Fix:" in told["text"]


def test_a_stop_in_the_travel_is_not_an_end():
    # An obstacle in the travel is as rigid as an end.
    bench = started_at(START_M, stroke_m=0.015)
    told = sought(bench)
    assert told["kind"] == "reference_not_found", told
    assert "15.0 mm apart, the stroke is 20.0" in told["text"]
    assert bench.bench.reference == "unverified"


def test_a_kept_reference_that_slipped_does_not_bear_an_end_out():
    bench = started_at(START_M)
    bench.bench.reference = "kept"  # 10 mm off
    told = sought(bench)
    assert told["how"] == "found" and "both ends" in told["text"]
    assert abs(error_m(bench)) < 5e-5


def test_a_motor_sensor_that_slips_gives_no_reference():
    bench = started_at(START_M)
    bench.environment.disturb("encoder_slipping", 0.3)
    told = sought(bench)
    assert not is_verified(bench.bench.reference), told


def test_a_drive_that_makes_twice_its_torque_does_not_press_harder_and_harder():
    constant = PROFILE.actuator.motor.torque_constant
    bench = started_at(NEAR_M, drive_torque_constant_N_m_A=0.5 * constant)
    bench.bench.reference = "kept"
    sought(bench)
    assert bench.environment.state()["peak_driven_force_N"] < 2.0 * seek_figures(PROFILE).rise_N


def test_letting_go_stops_it_and_nothing_is_found():
    bench = started_at(START_M)
    ready(bench)
    assert bench.request(Apply(behaviour=LOWER)).accepted
    bench.request(Enable(held=False))
    bench.run(0.5)
    assert bench.bench.state is State.STOPPED and bench.bench.reference == "unverified"
    assert not [e for e in bench.events if e["kind"] == "reference"]


def test_it_is_sought_in_restricted_operation_from_standby_only():
    bench = started_at(START_M)
    assert "restricted" in bench.request(Apply(behaviour=LOWER)).text
    narrow = Commission(force_N=60, speed_m_s=0.02, torque_N_m=0.01)
    assert bench.request(narrow).accepted
    assert "standby" in bench.request(Apply(behaviour=LOWER)).text
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.1)
    by_switch = SeekReference(by="home_switch")
    assert "names no home switch" in bench.request(Apply(behaviour=by_switch)).text


def test_a_lost_reference_opens_the_loop_until_it_is_confirmed():
    bench = started_at(0.0)
    bench.bench.supervisor._sensors.reference_lost = "the motor sensor jumped"
    bench.run(0.1)
    assert bench.bench.reference == "lost"
    refused = bench.request(PowerOn(load_supported=True))
    assert not refused.accepted and "confirm" in refused.text
    assert bench.request(ConfirmReference(position_m=0.0)).accepted
    bench.run(0.1)
    assert bench.bench.reference == "confirmed"
    assert bench.request(PowerOn(load_supported=True)).accepted


def test_repeatability_is_four_standard_deviations():
    assert repeatability([1.0, 2.0, 3.0]) == pytest.approx(4.0)
    assert repeatability([1.0]) != repeatability([1.0])


# -- by a home switch --------------------------------------------------------------------------

BY_SWITCH = SeekReference(by="home_switch", touches=3)
ZONE_M = SLIDE.reference.home_switch.position


def switched(start_m, fault="", lateness=None, **actual):
    bench = started_at(start_m, SLIDE, lateness, **actual)
    if fault:
        bench.environment.disturb(fault, 1.0)
    bench.run(0.05)
    return bench


@pytest.mark.parametrize(
    ("start_m", "lateness"), [(0.010, LATE), (0.004, None)], ids=["beside it", "on it"]
)
def test_a_home_switch_is_found_wherever_it_begins(start_m, lateness):
    bench = switched(start_m, lateness=lateness)
    told = sought(bench, BY_SWITCH)
    assert told["how"] == bench.bench.reference == "home_switch", told
    assert is_verified("home_switch") and "home switch found, 3 touches" in told["text"]
    assert 0.0 < told["repeatability_um"] < 100.0
    # The input arrives every 10 ms, and the nut moves meanwhile.
    assert abs(error_m(bench)) < 1e-4


@pytest.mark.parametrize(
    ("fault", "start_m", "text"),
    [
        ("home_switch_inverted", 0.008, "wired inverted, or stuck"),
        ("home_switch_inverted", 0.003, "wired inverted, or its cam is lost"),
        ("home_switch_dead", 0.008, "the home switch did not act"),
    ],
)
def test_a_home_switch_that_lies_gives_no_reference(fault, start_m, text):
    bench = switched(start_m, fault)
    told = sought(bench, BY_SWITCH)
    assert told["kind"] == "reference_not_found" and text in told["text"], told
    assert bench.bench.reference == "unverified" and bench.bench.state is State.DE_ENERGISED
    assert bench.environment.state()["peak_end_speed_m_s"] < 0.02


def test_a_switch_that_acts_low_is_read_so():
    switch = SLIDE.reference.home_switch.model_copy(update={"active": "low"})
    low = SLIDE.model_copy(
        update={"reference": SLIDE.reference.model_copy(update={"home_switch": switch})}
    )
    bench = started_at(0.0065, low)
    assert sought(bench, BY_SWITCH)["how"] == "home_switch"


def test_a_drive_that_reports_no_inputs_has_no_home_switch():
    bench = switched(0.008, home_input=-1)
    ready(bench)
    refused = bench.request(Apply(behaviour=BY_SWITCH))
    assert not refused.accepted and "no digital inputs" in refused.text
