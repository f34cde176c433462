"""Restricted operation over a drive's own loop, in lockstep, also with late cycles."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import COLUMNS, State
from hil.core.requests import (
    Apply,
    Commission,
    Enable,
    MotorSpeed,
    MotorTorque,
    PowerOn,
    SeekReference,
)
from hil.profile import load_profile

COLUMN = {column.name: at for at, column in enumerate(COLUMNS)}
ENVELOPE = Commission(force_N=70.0, speed_m_s=0.03, torque_N_m=0.13)
LATE = Lateness(share=0.05, up_to_s=0.003, stale_share=0.5)
PUSH = MotorTorque(
    torque_N_m=-0.12, ramp_s=0.2, duration_s=2.0, speed_m_s=0.02, travel_m=0.01, force_N=65.0
)
SPEED = MotorSpeed(speed_m_s=0.008, torque_N_m=0.1, duration_s=3.0, travel_m=0.01, force_N=60.0)


@pytest.fixture(params=["velocity", "position"])
def name(request):
    return f"footplate_{request.param}"


def ready(name, lateness=None):
    bench = LockstepBench(load_profile(name), lateness=lateness)
    bench.environment.support_load(True)
    bench.run(0.3)
    assert bench.request(ENVELOPE).accepted
    bench.request(Enable(held=True))
    assert bench.request(PowerOn(load_supported=True)).accepted
    held(bench, 0.2)
    assert bench.bench.state is State.STANDBY, bench.bench.cause_text
    return bench


def held(bench, seconds):
    rows = []
    for _ in range(round(seconds / 0.05)):
        bench.request(Enable(held=True))
        rows += bench.run(0.05)
    return np.array(rows)


def ended(bench):
    return [event["reason"] for event in bench.events if event["kind"] == "run_ended"]


@pytest.mark.parametrize("lateness", [None, LATE])
def test_a_speed_is_reached_and_the_run_ends_in_standstill(name, lateness):
    bench = ready(name, lateness)
    assert bench.request(Apply(behaviour=SPEED)).accepted
    rows = held(bench, 1.0)
    speed = rows[400:, COLUMN["nut_velocity_m_s"]]
    assert np.mean(speed) == pytest.approx(0.008, rel=0.12)
    assert np.max(np.abs(rows[:, COLUMN["measured_torque_N_m"]])) < 1.25 * SPEED.torque_N_m
    held(bench, 1.0)
    assert ended(bench) == ["travel"]
    still = held(bench, 0.3)
    assert np.ptp(still[:, COLUMN["nut_position_m"]]) < 1e-4
    assert bench.bench.state is State.RUNNING


@pytest.mark.parametrize("lateness", [None, LATE])
def test_a_nut_that_is_pressed_gets_the_torque_and_no_more(name, lateness):
    bench = ready(name, lateness)  # the output rests on its lower end
    assert bench.request(Apply(behaviour=PUSH)).accepted
    rows = held(bench, 1.0)
    torque = rows[:, COLUMN["measured_torque_N_m"]]
    assert np.mean(torque[-300:]) == pytest.approx(PUSH.torque_N_m, rel=0.06)
    assert np.max(np.abs(torque)) < 1.25 * abs(PUSH.torque_N_m)
    assert rows[-1, COLUMN["commanded_torque_N_m"]] == pytest.approx(PUSH.torque_N_m)
    assert rows[-1, COLUMN["spring_force_N"]] < -25.0
    assert not ended(bench)


def test_a_speed_that_meets_an_end_presses_with_its_torque_alone(name):
    bench = ready(name)
    towards = SPEED.model_copy(update={"speed_m_s": -0.008, "torque_N_m": 0.06})
    assert bench.request(Apply(behaviour=towards)).accepted
    rows = held(bench, 1.5)
    assert ended(bench) == ["blocked"]
    torque = np.abs(rows[:, COLUMN["measured_torque_N_m"]])
    assert np.max(torque) < 1.8 * towards.torque_N_m  # for some milliseconds
    assert np.mean(torque[:600] > 1.25 * towards.torque_N_m) < 0.12


def test_force_ends_a_run_for_good(name):
    bench = ready(name)
    asked = PUSH.model_copy(update={"force_N": 20.0})
    assert bench.request(Apply(behaviour=asked)).accepted
    held(bench, 1.0)
    assert ended(bench) == ["force"]
    rows = held(bench, 0.5)
    assert np.ptp(rows[:, COLUMN["nut_position_m"]]) < 1e-4
    assert np.max(np.abs(rows[:, COLUMN["spring_force_N"]])) < 30.0


def test_a_drive_that_reports_no_torque_is_refused_with_the_fix(name):
    bench = ready(name)
    bench.bench._telemetry.torque_N_m = math.nan
    answer = bench.request(Apply(behaviour=SPEED))
    assert not answer.accepted and "let it report torque or current" in answer.text


def test_a_drive_that_takes_torque_is_not_shaken():
    bench = ready("footplate_trainer")
    answer = bench.request(
        Apply(behaviour=SPEED.model_copy(update={"shake_m_s": 0.001, "shake_Hz": 20.0}))
    )
    assert not answer.accepted and "no loop to shake" in answer.text


def test_the_reference_is_found_by_a_seek(name):
    bench = ready(name)
    assert bench.request(Apply(behaviour=SeekReference(end="lower", touches=2))).accepted
    for _ in range(80):
        held(bench, 0.5)
        if bench.bench.state is not State.RUNNING:
            break
    found = [event for event in bench.events if event["kind"].startswith("reference")]
    assert found and found[-1].get("how") == "found", (found, bench.bench.cause_text)
