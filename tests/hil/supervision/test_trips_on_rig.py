"""Every limit and cause provoked on the simulated rig, and the commands to its drive after it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.base import PowerRequest, PowerStage
from hil.bench.lockstep import LockstepBench
from hil.core.limit_texts import label
from hil.core.limits import Cause, Limit
from hil.core.requests import Apply, Float, PowerOn, Reset
from hil.core.samples import State
from hil.profile.schema import Profile
from tests.hil.supervision.listening_rig import Rig
from tests.hil.supervision.trip_cases import CASES


@pytest.mark.parametrize("name", CASES)
def test_cause_stops_latches_and_resets(
    name: str, footplate: Profile, change: Callable[..., Any]
) -> None:
    case = CASES[name]
    rig = Rig(change(footplate, **case.change), case.mass_kg, case.at_m)
    case.provoke(rig)
    rig.until_stopped()
    bench = rig.bench.bench

    # The cause is reported with its numbers and kept in the sample.
    assert bench.cause == case.cause, bench.cause_text
    assert case.says in bench.cause_text
    stop = [event for event in rig.bench.events if event["kind"] == "stop"]
    assert len(stop) == 1
    assert stop[0]["cause"] == label(case.cause)
    assert stop[0]["trip"] is (case.cause not in (Cause.OPERATOR, Cause.HOST_ENDING))
    for limit in case.bounds:
        assert rig.limited >> limit & 1, f"{limit.name} was not limited before the trip"

    # The first command after the cause is known removes power.
    rig.run(0.003)
    assert rig.received_stopped
    assert set(rig.received_stopped) == {(PowerRequest.OFF, 0.0)}
    energised = rig.received[: -len(rig.received_stopped)]
    assert energised[-1][0] is PowerRequest.ON

    # Latched for every request, also with the cause gone.
    case.undo(rig)
    rig.run(0.2)
    assert rig.state is State.STOPPED
    assert not rig.bench.request(PowerOn(load_supported=True)).accepted
    assert not rig.bench.request(Apply(behaviour=Float())).accepted
    sent = len(rig.received)
    rig.run(0.1)
    assert rig.state is State.STOPPED and bench.cause == case.cause
    assert set(rig.received[sent:]) == {(PowerRequest.OFF, 0.0)}
    assert rig.bench.drive.core.power in (PowerStage.OFF, PowerStage.FAULT)

    # A reset leads to De-energised and moves nothing.
    rig.do.push(0.0)
    rig.do.hang(0.0)
    rig.run(0.6)
    before = rig.bench.drive.core.physics.nut_position_m
    sent = len(rig.received)
    assert rig.bench.request(Reset()).accepted
    rig.run(0.3)
    assert rig.state is State.DE_ENERGISED and bench.cause == 0
    for power, torque in rig.received[sent:]:
        assert power in (PowerRequest.OFF, PowerRequest.CLEAR_FAULT)
        assert torque == 0.0
    # The lever may still sink on shorted windings; a powered motor would be much faster.
    assert abs(rig.bench.drive.core.physics.nut_position_m - before) < 0.004
    assert rig.bench.drive.core.power is PowerStage.OFF

    outcome = rig.bench.request(PowerOn(load_supported=True))
    if case.stays_refused:
        assert not outcome.accepted and case.stays_refused in outcome.text
        assert "confirm it" in outcome.text
    elif case.cause == Limit.MOTOR_HEAT and not outcome.accepted:
        raise AssertionError("the motor had time to cool")
    else:
        assert outcome.accepted, outcome.text


def test_every_limit_and_cause_is_provoked_here() -> None:
    limited_only = {Limit.VIRTUAL_STIFFNESS, Limit.DAMPING}
    # The hold-to-run control is part of restricted operation: tests/hil/control/test_commissioning.
    provoked = {case.cause for case in CASES.values()} | {Cause.HOLD_TO_RUN_RELEASED}
    # A loop that shakes and a shaper that runs away: tests/hil/supervision/test_following.
    provoked |= {Limit.FORCE_FOLLOWING, Limit.SETPOINT_FOLLOWING, Limit.OUTPUT_ENERGY}
    # The end of control: tests/hil/host/test_control_ends.
    provoked |= {Cause.CONTROL_RELEASED}
    provoked |= {Cause.POWER_NOT_REMOVED}  # tests/hil/bench/test_power_removal
    provoked |= {Cause.SETPOINT_LATE}  # tests/hil/bench/test_external_setpoint
    provoked |= {Cause.OTHER_AXIS}  # tests/hil/bench/test_lockstep_axes
    assert provoked == {*Limit, *Cause} - limited_only


@pytest.mark.parametrize(
    ("limit", "disturbance", "value", "text"),
    [
        (Limit.SUPPLY_LOW, "supply_V", 29.0, "supply 29.00 V is below 31 V"),
        (Limit.SUPPLY_HIGH, "supply_V", 44.0, "is above 42 V"),
        (Limit.DRIVE_TEMPERATURE, "temperature_degC", 90.0, "90.0 degC, above 85 degC"),
        (Limit.SENSOR_RAIL, "deflection_rail", -1, "0 of 0 to 4095 counts"),
        (Limit.TELEMETRY_AGE, "silent", 1, "ms old"),
    ],
)
def test_energising_is_refused_while_a_condition_stands(
    footplate: Profile, limit: Limit, disturbance: str, value: float, text: str
) -> None:
    bench = LockstepBench(footplate, seed=3)
    bench.run(0.05)
    bench.environment.disturb(disturbance, value)
    bench.run(0.5)
    assert bench.bench.state is State.DE_ENERGISED  # with power off nothing trips
    outcome = bench.request(PowerOn(load_supported=True))
    assert not outcome.accepted
    assert text in outcome.text
    bench.run(0.1)
    assert bench.drive.core.power is PowerStage.OFF
    bench.environment.disturb(disturbance, None)
    bench.run(0.5)
    assert bench.request(PowerOn(load_supported=True)).accepted


def test_a_fault_while_energising_stops_with_its_text(footplate: Profile) -> None:
    bench = LockstepBench(footplate, seed=3)
    bench.run(0.05)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.005)
    bench.environment.disturb("drive_fault", 0x3210)
    bench.run(0.005)
    assert bench.bench.state is State.STOPPED
    assert "DC link voltage too high" in bench.bench.cause_text
