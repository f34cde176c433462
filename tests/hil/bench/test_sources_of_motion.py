"""The bench over a drive commanded in velocity or position, in lockstep with late cycles."""

from __future__ import annotations

import itertools
import math
import shutil
from typing import Any

import pytest

from drivers.base import Mode, PowerRequest
from drivers.simulated import Lateness
from hil.bench import LockstepBench
from hil.core import COLUMNS, State
from hil.core.requests import (
    Apply,
    Commission,
    ConstantForce,
    Float,
    HoldPosition,
    PowerOn,
    Stop,
    VirtualSpring,
    Waveform,
)
from hil.profile import SHIPPED, ProfileError, load_profile

PROFILES = {name: load_profile(f"footplate_{name}") for name in ("velocity", "position")}
MODES = {"velocity": Mode.VELOCITY, "position": Mode.POSITION}
COLUMN = {column.name: at for at, column in enumerate(COLUMNS)}
LATE = Lateness(share=0.05, up_to_s=0.003, stale_share=0.5)


@pytest.fixture(params=list(PROFILES))
def profile(request):
    return PROFILES[request.param]


def standby(profile, lateness=None, hung_kg=2.5):
    bench = LockstepBench(profile, lateness=lateness)
    bench.environment.hang(hung_kg)
    bench.run(0.4)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.3)
    assert bench.bench.state is State.STANDBY
    return bench


def apply(bench, behaviour, seconds):
    outcome = bench.request(Apply(behaviour=behaviour, load_may_move=True))
    assert outcome.accepted, outcome.text
    rows = bench.run(seconds)
    assert bench.bench.state is State.RUNNING, bench.bench.cause_text
    return rows


def speed_m_s(bench):
    """Return the commanded nut speed."""
    command, nut_per_rad = bench.bench.command, bench.bench.nut_per_rad
    if command.mode is Mode.VELOCITY:
        return command.velocity_rad_s * nut_per_rad
    away = command.position_rad - bench.bench._telemetry.position_rad
    gain = 2 * math.pi * bench.bench.profile.control.position_loop.bandwidth
    return away * gain * nut_per_rad


def test_in_standby_the_drive_holds_the_nut_and_is_asked_for_no_speed(profile):
    bench = standby(profile)
    command = bench.bench.command
    assert command.mode is MODES[profile.control.source] and command.power is PowerRequest.ON
    assert command.velocity_rad_s == 0.0 == command.torque_N_m
    assert speed_m_s(bench) == pytest.approx(0.0, abs=1e-4)
    at = bench.last_row[COLUMN["nut_position_m"]]
    bench.environment.push(30.0, 1.0)
    rows = bench.run(0.5)
    assert max(abs(row[COLUMN["nut_position_m"]] - at) for row in rows) < 1e-3


def test_every_behaviour_runs_and_force_follows_with_late_cycles(profile):
    bench = standby(profile, LATE)
    apply(bench, HoldPosition(position_m=0.027, speed_m_s=0.1), 1.2)
    assert bench.last_row[COLUMN["output_position_m"]] == pytest.approx(0.027, abs=1e-3)
    rows = apply(bench, ConstantForce(force_N=212.0), 0.8)
    force = [row[COLUMN["spring_force_N"]] for row in rows[-300:]]
    assert sum(force) / len(force) == pytest.approx(212.0, abs=4.0)
    rest = VirtualSpring(stiffness_N_m=40e3, rest_m=0.032, damping_N_s_m=0.0)
    apply(bench, rest, 0.8)
    apply(bench, Waveform(shape="sine", offset=210.0, amplitude=10.0, frequency_Hz=3.0), 0.7)
    apply(bench, Float(), 0.2)
    assert not [e for e in bench.events if e["kind"] == "stop"]


def test_a_change_of_behaviour_is_bumpless(profile):
    bench = standby(profile)
    apply(bench, HoldPosition(position_m=0.027, speed_m_s=0.1), 1.2)
    still = speed_m_s(bench)
    for behaviour in (ConstantForce(force_N=212.0), HoldPosition(position_m=0.027), Float()):
        assert bench.request(Apply(behaviour=behaviour, load_may_move=True)).accepted
        bench.step()
        assert abs(speed_m_s(bench) - still) < 0.02 * profile.limits.speed.limited
        bench.run(0.1)
        still = speed_m_s(bench)


def test_a_force_that_nothing_meets_stays_within_speed_and_travel(profile):
    bench = standby(profile, hung_kg=0.0)
    apply(bench, ConstantForce(force_N=120.0), 2.0)
    most = profile.limits.speed.tripped
    rows = bench.run(0.5)
    assert max(abs(row[COLUMN["nut_velocity_m_s"]]) for row in rows) < most
    upper = profile.limits.travel.upper + profile.limits.travel.tripped_beyond
    assert bench.last_row[COLUMN["output_position_m"]] < upper


def test_a_controlled_stop_ramps_the_speed_down_and_ends_without_power(profile):
    stop = profile.stop.model_copy(update={"category": 1})
    bench = standby(profile.model_copy(update={"stop": stop}), LATE)
    apply(bench, HoldPosition(position_m=0.035, speed_m_s=0.1), 0.45)
    assert bench.last_row[COLUMN["nut_velocity_m_s"]] > 0.03
    bench.request(Stop())
    assert bench.bench.controlled_stop.running
    asked: list[Any] = []
    while bench.bench.controlled_stop.running and len(asked) < 1000:
        bench.step()
        asked.append(speed_m_s(bench))
    assert all(after <= before + 1e-9 for before, after in itertools.pairwise(asked))
    assert min(asked) >= 0.0 and asked[-1] == 0.0
    bench.run(0.1)
    assert bench.bench.command.power is PowerRequest.OFF
    assert bench.bench.state is State.STOPPED


def test_a_force_loop_is_tried_in_restricted_operation_on_its_narrow_limits(profile):
    bench = LockstepBench(profile)
    bench.run(0.1)
    envelope = Commission(
        force_N=40.0,
        speed_m_s=0.05,
        torque_N_m=0.3,
        closed_loop=True,
        bandwidth_Hz=8.0,
        hold_to_run=False,
    )
    taken = bench.request(envelope)
    assert taken.accepted, taken.text
    assert bench.bench.gains.predicted.bandwidth_Hz == pytest.approx(8.0, rel=0.05)
    assert bench.bench.profile.limits.force.limited == 40.0


def test_virtual_springs_end_at_what_the_source_renders(profile):
    bench = standby(profile)
    control = bench.bench.profile.control
    assert control.passive_fraction < profile.control.passive_fraction
    answer = bench.request(
        Apply(
            behaviour=VirtualSpring(stiffness_N_m=118e3, rest_m=0.027, damping_N_s_m=0.0),
            load_may_move=True,
        )
    )
    assert answer.accepted and "virtual stiffness" in answer.text
    # A stop of category 0: the next command removes power.
    bench.request(Stop())
    bench.step()
    assert bench.bench.command.power is PowerRequest.OFF


def test_a_drive_without_velocity_is_refused_at_the_line(tmp_path):
    folder = tmp_path / "mine"
    shutil.copytree(SHIPPED, folder)
    file = folder / "footplate_velocity.yaml"
    file.write_text(file.read_text().replace("modes: [velocity, torque]", "modes: [torque]"))
    with pytest.raises(ProfileError, match=r"control\.source: the drive is commanded in torque"):
        load_profile(file)
    file = folder / "treadle_lines.yaml"
    file.write_text(file.read_text() + "\ncontrol: {source: velocity}\n")
    with pytest.raises(ProfileError, match=r"control\.source"):
        load_profile(file)


def test_what_is_held_in_standby_is_a_place_and_not_wherever_the_nut_has_crept_to():
    bench = standby(PROFILES["position"])
    held = bench.bench.command.position_rad
    bench.environment.push(30.0, 0.3)
    bench.run(0.6)
    assert bench.bench.command.position_rad == held


def test_a_count_that_begins_anew_sends_the_nut_nowhere():
    bench = standby(PROFILES["position"])
    seen = bench.bench._telemetry
    bench.bench._nut_offset = None
    before = seen.position_rad
    seen.position_rad = before + 40.0
    bench.bench._command(0.0, 0.0)
    assert bench.bench.command.position_rad == before + 40.0
    # A small jump is followed slowly.
    seen.position_rad = before + 40.1
    bench.bench._command(0.0, 0.0)
    assert abs(speed_m_s(bench)) <= 0.1 * bench.bench.profile.limits.speed.limited * (1 + 1e-9)


def test_a_target_that_is_not_renewed_ends_a_motion():
    """In a late cycle the drive keeps its last position target, and the nut comes to rest there."""
    bench = standby(PROFILES["position"], hung_kg=0.0)
    apply(bench, HoldPosition(position_m=0.035, speed_m_s=0.1), 0.45)
    assert bench.last_row[COLUMN["nut_velocity_m_s"]] > 0.03
    core = bench.drive.core
    for _ in range(300):
        core.advance(0.001)
    assert abs(core.velocity_rad_s * bench.bench.nut_per_rad) < 2e-3
