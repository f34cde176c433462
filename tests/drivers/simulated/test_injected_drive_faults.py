"""Injected faults of wiring, supply, bus and drive."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.base import Command, Mode, PowerRequest, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.injected_faults import INJECTED_FAULTS, with_injected_faults
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.parameters import RigParameters
from drivers.simulated.physics import RigPhysics, Winding
from tests.drivers.simulated.drive_cores import MIDDLE, TURN
from tests.drivers.simulated.faulty_cores import energised, made, run


def three_phase_torque(
    current_A: float, constant: float, field_rad: float, rotor_rad: float, swapped: bool
) -> float:
    """Return the torque of a three-phase machine with sinusoidal EMF, from its phase currents.

    T·ω = Σ e_x·i_x with EMFs e_x/ω = −√(2/3)·k·sin(θ − 2πx/3) and currents in phase with the
    drive's estimate of θ, scaled so that T = constant·current when the estimate is right (textbook
    identity of field-oriented control; from memory).
    """
    phases = [-math.sin(field_rad - 2 * math.pi * x / 3) for x in range(3)]
    if swapped:
        phases[1], phases[2] = phases[2], phases[1]
    emf = [-math.sin(rotor_rad - 2 * math.pi * x / 3) for x in range(3)]
    return constant * current_A * 2 / 3 * sum(i * e for i, e in zip(phases, emf, strict=True))


FREE = MIDDLE.but(
    {
        "friction_coulomb_N_m": 0.0,
        "friction_breakaway_N_m": 0.0,
        "friction_viscous_N_m_s": 0.0,
        "screw_efficiency_forward": 1.0,
        "screw_efficiency_backward": 1.0,
    }
)


@pytest.mark.parametrize(
    "codes, seen, pairs, swapped",
    [
        ((), 1.0, 7, False),
        (("phases_swapped",), 1.0, 7, True),
        (("pole_pairs_wrong",), 1.0, 14, False),
        (("encoder_reversed",), -1.0, 7, False),
        (("encoder_counts_wrong",), 2.0, 7, False),
        (("phases_swapped", "encoder_reversed"), -1.0, 7, True),
        (("pole_pairs_wrong", "phases_swapped"), 1.0, 14, True),
    ],
)
def test_torque_follows_the_phase_currents(codes, seen, pairs, swapped):
    parameters = with_injected_faults(FREE, codes)
    for mechanical in np.linspace(-3.0, 3.0, 25):
        physics = RigPhysics(parameters)
        physics.nut_position_m += mechanical * physics.metres_per_radian
        physics.coordinate += mechanical * physics.metres_per_radian
        physics.current_A = 4.0
        physics.advance(1e-5, 4.0, Winding.DRIVEN)
        force = physics.nut_velocity_m_s / 1e-5 * physics.nut_mass_kg
        torque = force * physics.metres_per_radian
        expected = three_phase_torque(4.0, 0.09, pairs * seen * mechanical, 7 * mechanical, swapped)
        assert torque == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    "code, electrical",
    # Torque vanishes where the cosine falls through zero: (p'·s − p)·θ = +90°; swapped phases: −90°
    # of 2·p·θ.
    [
        ("pole_pairs_wrong", 7),
        ("encoder_counts_wrong", 7),
        ("encoder_reversed", 14),
        ("phases_swapped", -14),
    ],
)
def test_a_wrong_field_holds_the_rotor_where_its_torque_passes_zero(code, electrical):
    core = energised(
        made(
            code, friction_viscous_N_m_s=0.05, friction_coulomb_N_m=0.0, friction_breakaway_N_m=0.0
        )
    )
    core.set_target(Mode.TORQUE, 0.3)
    run(core, 2.0)
    angle = (core.physics.nut_position_m - 0.5) / core.physics.metres_per_radian
    assert angle == pytest.approx(math.pi / 2 / electrical, rel=0.02)
    assert core.torque_N_m == pytest.approx(0.3, rel=1e-3)  # the drive's own value, which is wrong


def test_a_wrong_torque_constant_doubles_the_force_and_not_the_report():
    core = energised(SimulatedDriveCore(with_injected_faults(FREE, ["torque_constant_wrong"]), 1))
    core.environment.hold_output(True)
    core.set_target(Mode.TORQUE, 0.1)
    run(core, 3.0)
    assert core.torque_N_m == pytest.approx(0.1, rel=1e-6)
    # F = 2π·η·T/lead
    assert core.physics.spring_force_N == pytest.approx(2 * TURN * 0.1 / 0.010, rel=0.01)


# -- supply, drive, bus ----------------------------------------------------------------


def test_low_supply_shows():
    core = made("supply_low")
    run(core, 0.1)
    assert core.supply_V == pytest.approx(27.0, abs=0.05)


def test_a_supply_that_takes_nothing_back_rises_when_the_motor_brakes():
    def risen(*codes):
        core = energised(made(*codes))
        core.set_target(Mode.VELOCITY, 30.0)  # the nut at 48 mm/s
        run(core, 0.5)
        # Brake softly: at high current the winding's heat takes all the returned energy.
        core.set_target(Mode.TORQUE, -0.2)
        highest = 0.0
        for _ in range(40):
            core.advance(1e-3)
            highest = max(highest, core.supply_V)
        return highest - 36.0, core.fault_code

    volts, fault = risen()
    assert volts < 0.1 and fault == 0
    volts, fault = risen("regeneration_not_taken")
    assert volts > 1.0
    assert fault in (0, 0x3210)


def cycles(code: str | None, count: int, torque=lambda _k: 0.0, period_s: float = 1e-3):
    """Return (drive, telemetry rows as tuples) of an energised rig in lockstep."""
    drive = LockstepDrive(with_injected_faults(MIDDLE, [code] if code else []), 1, period_s)
    drive.open()
    command = Command(power=PowerRequest.ON)
    rows = []
    for k in range(count):
        t = drive.read(0.0)
        rows.append((t.age_s, t.deflection_age_s, t.position_rad, drive.core.torque_N_m, t.frames))
        command.torque_N_m = torque(k)
        drive.write(command)
    return drive, rows


def test_a_lossy_bus_ages_telemetry_and_swallows_commands():
    # A value arrives if neither the SYNC nor its own frame is lost: 0.9². A command acts if its own
    # frame and the next SYNC arrive; a waiting command may act one cycle late (+0.9²·0.1²).
    _, rows = cycles("bus_lossy", 6000, lambda k: 0.001 * (k % 100))
    table = np.array(rows)
    assert np.mean(table[:, 0] < 1e-9) == pytest.approx(0.81, abs=0.02)
    assert np.mean(table[:, 1] < 1e-9) == pytest.approx(0.81, abs=0.02)
    assert np.any((table[:, 0] < 1e-9) != (table[:, 1] < 1e-9))
    assert table[-1, 4] == pytest.approx(0.81 * 6000, rel=0.03)
    _, sound = cycles(None, 300)
    assert {row[0] for row in sound} == {row[1] for row in sound} == {0.0}


def test_lost_commands_leave_the_one_before_in_force():
    drive, _ = cycles("bus_lossy", 50)
    command = Command(power=PowerRequest.ON)
    asked, acted = [], []
    for k in range(3000):
        drive.read(0.0)
        acted.append(round(drive.core._torque_target / 0.0009))
        command.torque_N_m = 0.0009 * (k % 50)
        asked.append(k % 50)
        drive.write(command)
    on_time = np.mean([a == b for a, b in zip(acted[1:], asked[:-1], strict=True)])
    assert on_time == pytest.approx(0.81, abs=0.03)
    assert set(acted) <= set(range(50))


def test_half_the_rate_repeats_every_value_once():
    _, rows = cycles("sample_rate_half", 400, lambda _k: 0.3)
    positions = [row[2] for row in rows[100:]]
    steps = [b != a for a, b in itertools.pairwise(positions)]
    assert all(a != b for a, b in itertools.pairwise(steps))
    assert {row[0] for row in rows} == {0.0}  # frames arrive in time; only their content is old


@pytest.mark.parametrize("heartbeats", [True, False])
def test_a_drive_that_ignores_its_host_goes_on(heartbeats):
    for code, stage in ((None, PowerStage.FAULT), ("heartbeat_ignored", PowerStage.ON)):
        drive, _ = cycles(code, 100)
        for _ in range(200):
            drive.read(0.0)
            if heartbeats:  # commands, but no heartbeat of the host
                drive.write(Command(power=PowerRequest.ON, heartbeat=False))
        assert drive.core.power is stage
        assert drive.telemetry.power is stage


# -- pairs -----------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from(sorted(INJECTED_FAULTS)), min_size=2, max_size=2, unique=True),
    st.sampled_from(["linear", "lever_sector", "lever_pin"]),
    st.integers(0, 1000),
    st.floats(-1.0, 1.0),
    st.floats(0.0, 40.0),
    st.sampled_from(list(Mode)),
)
def test_pairs_stay_finite_and_make_no_energy(codes, rig, seed, torque, push, mode):
    base = RigParameters(rig=rig, initial_output_m=0.02, pan_mass_kg=0.5)
    drive = LockstepDrive(with_injected_faults(base, codes), seed)
    drive.open()
    core = drive.core
    physics = core.physics
    core.environment.turn_screw(0.3, 2.0)
    core.environment.push(push, 2.0)
    before = physics.stored_energy_J()
    command = Command(mode=mode, torque_N_m=torque, velocity_rad_s=40 * torque)
    for k in range(400):
        telemetry = drive.read(0.0)
        command.power = PowerRequest.ON if 150 < k < 350 else PowerRequest.OFF
        drive.write(command)
        given = physics.source_work_J + physics.hand_work_J
        assert physics.stored_energy_J() <= before + given + 0.02
    state = core.environment.state()
    assert all(math.isfinite(value) for value in state.values())
    for value in (telemetry.position_rad, telemetry.velocity_rad_s, telemetry.torque_N_m):
        assert math.isfinite(value)
    assert 0 <= telemetry.deflection_counts <= 4095
    assert state["peak_spring_force_N"] >= state["peak_driven_force_N"] >= 0.0
