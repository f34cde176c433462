"""The zero of the positions is a guess until someone confirms it."""

from __future__ import annotations

import pytest

from drivers.simulated import Lateness
from hil.bench import LockstepBench, first_reference
from hil.core import (
    Apply,
    Commission,
    ConfirmReference,
    ConstantForce,
    EndCommission,
    MotorTorque,
    PowerOff,
    PowerOn,
    State,
)
from hil.profile import Mark, load_profile

PROFILE = load_profile("bench_slide")
LATE = Lateness(share=0.05, up_to_s=0.004, stale_share=0.5)
ZERO_FORCE = Apply(behaviour=ConstantForce(force_N=0.0), load_may_move=True)
A_LITTLE_ABOVE_M, ABOVE_M = 5e-4, 4e-3
PUSH = MotorTorque(torque_N_m=0.01, duration_s=1.0, speed_m_s=0.02, travel_m=0.002, force_N=50.0)


def started_at(output_m, lateness=None):
    """Return a rig that sinks from there to its lower end and rests."""
    actual = PROFILE.simulation.actual | {"initial_output_m": output_m}
    simulation = PROFILE.simulation.model_copy(update={"actual": actual})
    bench = LockstepBench(PROFILE.model_copy(update={"simulation": simulation}), 1, lateness)
    bench.run(3.0)
    return bench


def powered(bench):
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(1.0)
    assert bench.bench.state is State.STANDBY, bench.bench.cause_text


def test_zero_is_a_guess_but_where_it_is_known_by_nature():
    assert first_reference(PROFILE) == "simulated"
    assert first_reference(PROFILE.model_copy(update={"simulation": None})) == "unverified"
    motor = PROFILE.sensors.motor.model_copy(update={"reference": "absolute"})
    sensors = PROFILE.sensors.model_copy(update={"motor": motor})
    real = PROFILE.model_copy(update={"simulation": None, "sensors": sensors})
    assert first_reference(real) == "absolute"
    assert started_at(A_LITTLE_ABOVE_M).bench.reference == "unverified"


def test_the_loop_stays_open_until_the_reference_is_verified():
    bench = started_at(A_LITTLE_ABOVE_M)
    powered(bench)
    refused = bench.request(ZERO_FORCE)
    assert not refused.accepted and "reference not verified" in refused.text
    assert "Fix:" in refused.text and bench.bench.state is State.STANDBY


def test_without_a_held_control_restricted_operation_keeps_the_loop_open_but_moves_open_loop():
    bench = started_at(A_LITTLE_ABOVE_M)
    envelope = Commission(
        force_N=60, speed_m_s=0.02, torque_N_m=0.05, closed_loop=True, hold_to_run=False
    )
    assert bench.request(envelope).accepted
    powered(bench)
    assert not bench.request(ZERO_FORCE).accepted
    assert bench.request(Apply(behaviour=PUSH)).accepted


@pytest.mark.parametrize("lateness", [None, LATE])
def test_a_confirmed_position_sets_zero_and_closes_the_loop(lateness):
    bench = started_at(ABOVE_M, lateness)
    estimator = bench.bench.estimator
    assert estimator.output_position_m < -0.9 * ABOVE_M  # zero is a guess: outside the stroke
    outcome = bench.request(ConfirmReference(position_m=0.0))
    assert outcome.accepted, outcome.text
    bench.run(0.3)
    truth_m = bench.environment.state()["output_position_m"]
    assert estimator.output_position_m == pytest.approx(truth_m, abs=5e-4)
    assert not bench.bench.supervisor.reference_lost
    told = [e for e in bench.events if e["kind"] == "reference"]
    assert [(e["how"], e["position_m"]) for e in told] == [("confirmed", 0.0)]
    powered(bench)
    assert bench.request(ZERO_FORCE).accepted
    bench.run(0.2)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text


@pytest.mark.parametrize("lateness", [None, LATE])
def test_a_mark_touched_by_hand_sets_zero(lateness):
    reference = PROFILE.reference.model_copy(update={"mark": Mark(position="40 mm", name="pin")})
    profile = PROFILE.model_copy(update={"reference": reference})
    actual = profile.simulation.actual | {"initial_output_m": 0.0395}
    simulation = profile.simulation.model_copy(update={"actual": actual})
    bench = LockstepBench(profile.model_copy(update={"simulation": simulation}), 1, lateness)
    bench.environment.support_load(True)
    bench.run(0.2)
    assert bench.bench.reference == "unverified"
    for _ in range(2):  # by eye, with the accuracy of a hand
        away_m = 0.040 - bench.environment.state()["output_position_m"]
        bench.environment.move_nut(0.002, away_m)
        bench.run(1.2)
    assert bench.request(ConfirmReference(mark=True)).accepted
    bench.run(0.2)
    assert bench.bench.reference == "mark"
    truth_m = bench.environment.state()["output_position_m"]
    assert truth_m == pytest.approx(0.040, abs=2e-4)
    assert bench.bench.estimator.output_position_m == pytest.approx(truth_m, abs=2e-4)
    powered(bench)
    assert bench.request(ZERO_FORCE).accepted


def test_a_mark_that_the_profile_does_not_name_is_refused():
    bench = LockstepBench(load_profile("footplate_trainer"), 1)
    bench.run(0.02)
    assert "names no mark" in bench.request(ConfirmReference(mark=True)).text
    assert bench.bench.reference == "simulated"


def test_a_rig_that_moves_is_not_confirmed():
    bench = started_at(A_LITTLE_ABOVE_M)
    bench.bench.estimator.output_velocity_m_s = 0.05
    refused = bench.request(ConfirmReference(position_m=0.0))
    assert not refused.accepted and "still moves" in refused.text


@pytest.mark.parametrize("position_m", [-0.001, 2 * PROFILE.actuator.stroke])
def test_a_position_outside_the_stroke_is_refused(position_m):
    bench = started_at(A_LITTLE_ABOVE_M)
    refused = bench.request(ConfirmReference(position_m=position_m))
    assert not refused.accepted and "mm lies outside the stroke" in refused.text
    assert bench.bench.reference == "unverified"


def test_it_is_confirmed_while_de_energised_and_outside_restricted_operation_only():
    bench = started_at(A_LITTLE_ABOVE_M)
    assert bench.request(Commission(force_N=60, speed_m_s=0.02, torque_N_m=0.05)).accepted
    assert "restricted" in bench.request(ConfirmReference(position_m=0.0)).text
    assert bench.request(EndCommission()).accepted
    powered(bench)
    assert "power off" in bench.request(ConfirmReference(position_m=0.0)).text
    assert bench.request(PowerOff()).accepted
    bench.run(0.5)
    assert bench.request(ConfirmReference(position_m=0.0)).accepted


def test_the_law_is_measured_only_until_power_goes() -> None:
    """The watch for changes of the spring law pauses for a calibration, until power goes."""
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.3)
    assert bench.request(PowerOn(load_supported=True, measures_law=True)).accepted
    bench.run(0.2)
    assert bench.bench.supervisor.law_is_measured
    assert not bench.request(PowerOn(load_supported=True)).accepted  # power is on already
    assert bench.bench.supervisor.law_is_measured
    bench.request(PowerOff())
    bench.run(0.2)
    assert bench.request(PowerOn(load_supported=True)).accepted
    assert not bench.bench.supervisor.law_is_measured


def test_a_reference_confirmed_after_more_jumps_is_not_lost_at_once():
    """The counts jump again while the reference is lost, as when a loose plug is pushed home."""
    bench = started_at(0.0)
    for turned in (1.0, 0.0):
        bench.environment.disturb("encoder_reversed", turned)
        if turned:
            bench.environment.turn_screw(0.5)
        bench.run(1.5)
    assert bench.bench.reference == "lost"
    bench.run(3.0)  # the slide sinks onto its end
    refused = bench.request(PowerOn(load_supported=True))
    assert not refused.accepted and "confirm it" in refused.text
    outcome = bench.request(ConfirmReference(position_m=0.0))
    assert outcome.accepted, outcome.text
    bench.run(0.3)
    assert bench.bench.reference == "confirmed" and not bench.bench.supervisor.reference_lost
    powered(bench)
    assert bench.request(ZERO_FORCE).accepted
