"""Actions of people at the rig: turn the screw, clamp, support, wiggle, press the stop; true peaks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Command, Mode, PowerRequest, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.drive_faults import UNDERVOLTAGE
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.parameters import RigParameters
from drivers.simulated.variation import GROUPS, varied

SLIDE = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=5.0,
    stroke_m=0.055,
    initial_output_m=0.02,
    sensor_noise_counts=0.0,
    spring_damping_N_s_m=500.0,
)


def run(core: SimulatedDriveCore, seconds: float, step_s: float = 1e-3) -> None:
    for _ in range(round(seconds / step_s)):
        core.advance(step_s)


def until_let_go(core: SimulatedDriveCore, step_s: float = 1e-3, most_s: float = 30.0) -> float:
    """Return the seconds until the hand lets go of the screw."""
    taken = 0.0
    while core.environment.state()["turning"]:
        run(core, 0.02, step_s)
        taken += 0.02
        assert taken < most_s
    return taken


@settings(max_examples=25, deadline=None)
@given(st.floats(-15.0, 25.0), st.floats(2.0, 30.0), st.sampled_from([5e-4, 1e-3, 4e-3]))
def test_the_nut_goes_where_it_is_moved_at_the_speed_asked(distance_mm, speed_mm_s, step_s):
    core = SimulatedDriveCore(SLIDE)
    core.environment.move_nut(speed_mm_s / 1e3, distance_mm / 1e3)
    taken = until_let_go(core, step_s)
    run(core, 0.2, step_s)
    assert core.physics.nut_position_m - 0.02 == pytest.approx(distance_mm / 1e3, abs=1e-4)
    assert core.peak_speed_m_s < 1.3 * speed_mm_s / 1e3 + 2e-3  # friction breaks away with a jerk
    # 2 s to accelerate and to arrive.
    assert taken < abs(distance_mm) / speed_mm_s + 2.0


@pytest.mark.parametrize("hand, extends", [(1.0, 1), (-1.0, -1)])
def test_turns_of_the_screw_follow_its_hand(hand, extends):
    core = SimulatedDriveCore(SLIDE.but({"screw_hand": hand}))
    core.environment.turn_screw(1.5)
    until_let_go(core)
    assert core.environment.state()["shaft_turns"] - 0.02 / (hand * 0.01) == pytest.approx(
        1.5, abs=0.01
    )
    assert core.physics.nut_position_m - 0.02 == pytest.approx(extends * 0.015, abs=1e-4)


def test_a_hand_at_an_end_is_no_stronger_than_a_hand_and_gives_up():
    core = SimulatedDriveCore(SLIDE)
    core.environment.move_nut(0.02, 0.1, most_N=100.0)
    until_let_go(core)
    # The spring force is what is left after friction (0.02 N·m at the shaft) at efficiency 0.9.
    force = core.peak_spring_force_N
    friction = 0.02 * 2 * math.pi / 0.010
    assert force == pytest.approx((100.0 - friction) * 0.9, rel=0.15)
    assert core.peak_driven_force_N == 0.0
    assert core.physics.output_position_m == pytest.approx(0.055, abs=1e-4)


def test_nobody_turns_a_screw_under_power():
    core = SimulatedDriveCore(SLIDE)
    core.environment.move_nut(0.01, 0.02)
    run(core, 0.1)
    core.request_power(PowerRequest.ON)
    run(core, 0.05)
    assert not core.physics.turning
    with pytest.raises(ValueError, match="power stage is on"):
        core.environment.move_nut(0.01, 0.02)
    for bad in ((0.0, 0.01), (-0.01, 0.01), (math.nan, 0.01), (0.01, math.inf)):
        with pytest.raises(ValueError, match=r"speed_m_s|distance_m"):
            core.environment.move_nut(*bad)


def test_work_of_the_hand_is_accounted_for():
    core = SimulatedDriveCore(SLIDE)
    core.environment.hold_output(True)
    before = core.physics.mechanical_energy_J()
    core.environment.move_nut(0.005, 0.001)
    until_let_go(core)
    gained = core.physics.mechanical_energy_J() - before
    assert 0.0 < gained < core.physics.hand_work_J
    # The springs store ½·k·δ²; the released screw is already on its way back.
    physics = core.physics
    moving = 0.5 * physics.nut_mass_kg * physics.nut_velocity_m_s**2
    assert gained == pytest.approx(0.5 * 120e3 * physics.deflection_m**2 + moving, rel=0.02)
    assert 0.0007 < physics.deflection_m < 0.001


def test_clamps_hold_screw_and_output():
    core = SimulatedDriveCore(SLIDE)
    rig = core.environment
    rig.hold_screw(True)
    rig.push(-60.0)
    run(core, 1.0)
    assert core.physics.nut_position_m == 0.02
    assert core.physics.deflection_m == pytest.approx(0.0005, rel=0.01)
    rig.push(0.0)
    rig.hold_screw(False)
    rig.hold_output(True)
    assert rig.state()["held"] == 1.0
    held = core.physics.output_position_m
    rig.move_nut(0.01, 0.0005)
    until_let_go(core)
    assert core.physics.output_position_m == pytest.approx(held, abs=1e-9)
    rig.hold_output(False)
    assert rig.state()["held"] == 0.0


def test_a_stand_takes_the_weight_off_and_gives_it_back():
    core = SimulatedDriveCore(RigParameters(initial_output_m=0.03, spring_damping_N_s_m=3e3))
    rig = core.environment
    rig.hang(5.0)
    loaded = rig.state()["load_N"]
    assert loaded > 300
    rig.support_load(True)
    rig.hold_screw(True)
    run(core, 2.0)
    assert rig.state()["load_N"] == 0.0
    assert abs(core.physics.spring_force_N) < 1.0
    rig.support_load(False)
    assert rig.state()["load_N"] > 0
    run(core, 2.0)
    assert rig.state()["load_N"] == pytest.approx(loaded, rel=0.05)
    assert core.physics.spring_force_N == pytest.approx(rig.state()["load_N"], abs=2.0)


@pytest.mark.parametrize("mass_kg", [0.0, 7.5])
def test_a_load_is_let_down_by_hand_where_no_spring_carries_it(mass_kg: float):
    core = SimulatedDriveCore(
        RigParameters(initial_output_m=0.008, spring_rate_pull_N_m=0.0, pivot_friction_N_m=0.2)
    )
    rig = core.environment
    rig.hang(mass_kg)
    rig.support_load(True)
    rig.move_nut(0.01, -0.007)
    until_let_go(core)
    assert core.physics.output_position_m > 0.005, "the stand bears it"
    rig.support_load(False)
    run(core, 2.0)
    assert core.physics.output_position_m < 0.001
    assert 0.001 < core.peak_end_speed_m_s < 0.012


# -- the hard-wired stop ---------------------------------------------------------------


def test_the_hard_wired_stop_takes_torque_link_and_state_at_once():
    drive = LockstepDrive(SLIDE)
    drive.open()
    command = Command(power=PowerRequest.ON, torque_N_m=0.2)
    for _ in range(100):
        drive.read(0.0)
        drive.write(command)
    assert drive.telemetry.power is PowerStage.ON
    rig = drive.core.environment
    rig.emergency_stop(True)
    for _ in range(5):
        drive.read(0.0)
        drive.write(command)
    telemetry = drive.telemetry
    assert telemetry.power is PowerStage.FAULT
    assert telemetry.fault_code == UNDERVOLTAGE
    assert abs(telemetry.torque_N_m) < 0.01
    assert telemetry.supply_V == pytest.approx(36.0 * math.exp(-0.005 / 0.04), rel=0.05)
    for _ in range(200):
        drive.read(0.0)
        drive.write(command)
    assert telemetry.supply_V < 5.0
    # Releasing the stop restores nothing: power needs a cleared fault and a new request.
    rig.emergency_stop(False)
    for _ in range(100):
        drive.read(0.0)
        drive.write(command)
    assert telemetry.supply_V == pytest.approx(36.0, abs=0.1)
    assert telemetry.power is PowerStage.FAULT
    for power, stage in (
        (PowerRequest.CLEAR_FAULT, PowerStage.OFF),
        (PowerRequest.OFF, PowerStage.OFF),
        (PowerRequest.ON, PowerStage.ON),
    ):
        for _ in range(50):
            drive.read(0.0)
            drive.write(Command(power=power))
        assert telemetry.power is stage


def test_a_pressed_stop_lets_no_power_on_and_faults_nothing_that_is_off():
    core = SimulatedDriveCore(SLIDE)
    core.environment.emergency_stop(True)
    run(core, 0.1)
    assert core.power is PowerStage.OFF
    core.request_power(PowerRequest.ON)
    run(core, 0.05)
    assert core.power is PowerStage.FAULT
    assert core.environment.state()["stop_pressed"] == 1.0


def test_a_stop_outlives_a_change_of_the_supply():
    core = SimulatedDriveCore(SLIDE)
    core.environment.emergency_stop(True)
    core.environment.disturb("supply_V", 40.0)
    run(core, 0.1)
    assert core.supply_V == pytest.approx(36.0 * math.exp(-0.1 / 0.04), rel=0.05)
    core.environment.emergency_stop(False)
    run(core, 0.1)
    assert core.supply_V == pytest.approx(40.0, abs=0.1)


# -- true peaks ------------------------------------------------------------------------


def test_peaks_are_the_largest_since_they_were_forgotten():
    core = SimulatedDriveCore(SLIDE)
    core.request_power(PowerRequest.ON)
    run(core, 0.02)
    core.set_target(Mode.VELOCITY, 30.0)
    forces, speeds = [], []
    for _ in range(600):
        core.advance(1e-3)
        forces.append(abs(core.physics.spring_force_N))
        speeds.append(abs(core.physics.nut_velocity_m_s))
    # The true peak contains the damping force of the springs as well.
    damping = 500.0 * 2 * max(speeds)
    assert max(forces) <= core.peak_spring_force_N <= max(forces) + damping
    assert core.peak_driven_force_N == core.peak_spring_force_N
    assert core.peak_speed_m_s == pytest.approx(max(speeds), rel=1e-3)
    core.request_power(PowerRequest.OFF)
    run(core, 3.0)
    core.environment.reset_peaks()
    run(core, 0.1)
    assert core.peak_driven_force_N == 0.0
    assert core.peak_speed_m_s < 1e-3
    state = core.environment.state()
    assert state["peak_spring_force_N"] == core.peak_spring_force_N


@pytest.mark.parametrize("speed", [0.02, 0.1, 0.3, -0.15])
def test_the_speed_at_which_an_end_is_met(speed):
    # A free carriage on very soft springs runs into its end.
    core = SimulatedDriveCore(
        SLIDE.but(
            {
                "spring_rate_push_N_m": 0.0,
                "spring_rate_pull_N_m": 0.0,
                "spring_damping_N_s_m": 0.0,
                "output_damping_N_s_m": 0.0,
                "spring_solid_m": 0.2,
            }
        )
    )
    core.physics.coordinate_rate = speed
    assert core.peak_end_speed_m_s == 0.0
    run(core, 0.6 / abs(speed) * 0.06)
    run(core, 0.6)
    assert core.peak_end_speed_m_s == pytest.approx(abs(speed), rel=0.05)


# -- healthy rigs that differ ----------------------------------------------------------


@given(st.integers(0, 10**6), st.floats(0.0, 0.9))
def test_varied_rigs_stay_within_the_share_and_come_from_their_seed(seed, share):
    base = RigParameters(
        pivot_friction_N_m=0.02,
        guide_friction_N=1.0,
        spring_hysteresis=0.004,
        spring_guide_friction_N=2.0,
    )
    rig = varied(base, seed, share)
    assert rig == varied(base, seed, share)
    names = {name for group in GROUPS for name in group}
    changed = {name: getattr(rig, name) for name in names}
    assert rig == base.but(changed)
    for name, value in changed.items():
        assert abs(value / getattr(base, name) - 1) <= share + 1e-12
    assert rig.friction_breakaway_N_m >= rig.friction_coulomb_N_m


def test_varied_rigs_fill_the_range():
    rates = [varied(RigParameters(), seed).spring_rate_push_N_m / 60e3 for seed in range(200)]
    assert min(rates) < 0.82 and max(rates) > 1.18
    with pytest.raises(ValueError, match="share"):
        varied(RigParameters(), 1, 1.0)
