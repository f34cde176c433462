"""Each mistake alone, by what drive and sensors then report; pairs, by physics that stays sound."""

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

# A horizontal slide in the middle of its stroke: nothing acts on it by itself.
SLIDE = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=5.0,
    stroke_m=1.0,
    initial_output_m=0.5,
    sensor_noise_counts=0.0,
    spring_damping_N_s_m=500.0,
)
COUNT_M = 0.015 / 4096
SET_N_M = 60e3  # of each of the two spring sets
TURN = 2 * math.pi


def made(*codes: str, **values) -> SimulatedDriveCore:
    return SimulatedDriveCore(with_injected_faults(SLIDE.but(values), codes), 1)


def run(core: SimulatedDriveCore, seconds: float) -> list[int]:
    readings = []
    for _ in range(round(seconds / 1e-3)):
        core.advance(1e-3)
        readings.append(core.deflection_counts)
    return readings


def pushed(core: SimulatedDriveCore, force_N: float) -> float:
    """Reading from zero, in counts, with the screw held and the output pushed."""
    core.environment.hold_screw(True)
    core.environment.push(force_N)
    run(core, 2.0)
    return core.deflection_counts - 2048


def turned(core: SimulatedDriveCore, turns: float) -> tuple[int, float]:
    """Counts and nut travel of a screw turned by hand."""
    counts, nut = core.position_counts, core.physics.nut_position_m
    core.environment.turn_screw(turns)
    for _ in range(100):
        run(core, 0.1)
        if not core.physics.turning:
            break
    run(core, 0.2)
    return core.position_counts - counts, core.physics.nut_position_m - nut


def energised(core: SimulatedDriveCore) -> SimulatedDriveCore:
    core.request_power(PowerRequest.ON)
    run(core, 0.02)
    assert core.power is PowerStage.ON
    return core


# -- the catalogue ---------------------------------------------------------------------


def test_every_mistake_changes_the_rig_and_survives_json():
    for code, mistake in INJECTED_FAULTS.items():
        parameters = with_injected_faults(SLIDE, [code])
        assert mistake.code == code and mistake.sentence
        assert parameters.injected_faults == (code,)
        assert parameters.but({"injected_faults": ()}) != SLIDE
        assert RigParameters.from_json(parameters.to_json()) == parameters
        assert with_injected_faults(parameters, [code]) == parameters  # not made twice


@given(st.sets(st.sampled_from(sorted(INJECTED_FAULTS))), st.randoms())
def test_order_does_not_matter(codes, chance):
    shuffled = list(codes)
    chance.shuffle(shuffled)
    assert with_injected_faults(SLIDE, shuffled) == with_injected_faults(SLIDE, sorted(codes))


@pytest.mark.parametrize(
    "code, near",
    [
        ("spring_soft", "'springs_soft'"),
        ("phase_swapped", "'phases_swapped'"),
        ("xyz", "'encoder_reversed', "),
    ],
)
def test_an_unknown_code_is_refused_with_near_ones(code, near):
    with pytest.raises(ValueError, match=f"no mistake '{code}'; write .*{near}"):
        with_injected_faults(SLIDE, ["nut_jammed", code])


# -- sensors ---------------------------------------------------------------------------


def test_deflection_signs_and_scale():
    sound = pushed(made(), -60.0)
    assert sound == pytest.approx(60.0 / (2 * SET_N_M) / COUNT_M, abs=1)
    assert pushed(made("deflection_reversed"), -60.0) == pytest.approx(-sound, abs=1)
    assert pushed(made("deflection_scale_wrong"), -60.0) == pytest.approx(sound / 2, abs=1)


def test_noise_is_that_of_the_mistake():
    readings = run(made("deflection_noisy"), 4.0)
    expected = math.sqrt((0.008 * 4096) ** 2 + 1 / 12)  # rounding adds 1/12 count²
    assert np.std(readings) == pytest.approx(expected, rel=0.05)


def test_an_open_wiper_wanders_and_knows_nothing_of_the_springs():
    at_rest, loaded = made("deflection_open"), made("deflection_open")
    loaded.environment.hold_screw(True)
    loaded.environment.push(-200.0)
    readings = run(at_rest, 8.0)
    assert readings == run(loaded, 8.0)
    assert loaded.physics.deflection_m > 1e-3
    assert np.std(readings) > 200


@pytest.mark.parametrize(
    "code, reading",
    [("deflection_rail", 4095), ("deflection_shorted", 0), ("deflection_frozen", 2048)],
)
def test_a_dead_input_reads_one_value_whatever_happens(code, reading):
    core = made(code, sensor_noise_counts=0.0)
    assert pushed(core, -100.0) + 2048 == reading
    core = made(code, sensor_noise_counts=3.0)
    assert len(set(run(core, 0.5))) == 1


def test_a_loose_contact_shows_when_the_cable_is_moved():
    core = made("deflection_intermittent")
    quiet = run(core, 4.0)
    core.environment.wiggle_cable(4.0)
    wiggled = run(core, 4.0)
    after = run(core, 2.0)
    assert quiet.count(0) < 0.01 * len(quiet)
    # Opens 30 times a second of contact, for 3 ms each and to the end of a period.
    expected = 30 * 0.0035 / (1 + 30 * 0.0035)
    assert wiggled.count(0) / len(wiggled) == pytest.approx(expected, rel=0.35)
    assert after.count(0) < 0.02 * len(after)
    assert set(quiet) | set(wiggled) <= {0, 2048}
    sound = made()
    sound.environment.wiggle_cable(1.0)
    assert set(run(sound, 1.0)) == {2048}


@pytest.mark.parametrize("swapped", [False, True])
def test_swapped_channels_show_the_sensor_at_the_spare_input(swapped):
    drive = LockstepDrive(with_injected_faults(SLIDE, ["channels_swapped"] if swapped else []), 1)
    drive.core.environment.hold_screw(True)
    before = after = None
    for k in range(3000):
        telemetry = drive.read(0.0)
        if k == 100:
            before = (telemetry.deflection_counts, telemetry.spare_counts)
            drive.core.environment.push(-60.0)
    after = (telemetry.deflection_counts, telemetry.spare_counts)
    assert before is not None
    moved = [b - a for a, b in zip(before, after, strict=True)]
    if swapped:
        moved.reverse()
    assert moved[0] == pytest.approx(136, abs=3)  # 60 N / 120 N/mm = 0.5 mm
    assert abs(moved[1]) <= 6


@pytest.mark.parametrize(
    "code, counts, nut_m",
    [
        ("heartbeat_ignored", 4096, 0.010),  # nothing to do with it: as a sound rig
        ("encoder_reversed", -4096, 0.010),
        ("encoder_counts_wrong", 8192, 0.010),
        ("screw_lead_wrong", 4096, 0.005),
        ("screw_left_handed", 4096, -0.010),
        ("nut_jammed", 0, 0.0),
    ],
)
def test_one_turn_of_the_screw_by_hand(code, counts, nut_m):
    found_counts, found_nut = turned(made(code), 1.0)
    assert found_counts == pytest.approx(counts, abs=45)
    assert found_nut == pytest.approx(nut_m, abs=1e-4)


# -- springs and travel ----------------------------------------------------------------


@pytest.mark.parametrize(
    "code, force_N, deflection_m",
    [
        ("springs_soft", -60.0, 60.0 / SET_N_M),
        ("springs_soft", 60.0, -60.0 / SET_N_M),
        # 0.5 mm of play, then the one set that is met
        ("preload_absent", -60.0, 0.0005 + 60.0 / SET_N_M),
        ("preload_absent", 60.0, -0.0005 - 60.0 / SET_N_M),
        ("spring_missing", -60.0, 60.0 / SET_N_M),
        ("spring_missing", 60.0, -0.009 - 60.0 / 5.0e6),  # down to the coils' solid height
    ],
)
def test_springs_give_as_their_mistake_says(code, force_N, deflection_m):
    core = made(code)
    pushed(core, force_N)
    assert core.physics.deflection_m == pytest.approx(deflection_m, rel=0.01, abs=5e-6)


@pytest.mark.parametrize("torque, moves", [(0.12, False), (0.14, True)])
def test_a_stiff_place_holds_until_its_friction_is_overcome(torque, moves):
    # At the middle of the place: break-away 0.03 N·m and 4·0.02 + 0.02 N·m on top.
    core = energised(made("screw_stiff_spot", initial_output_m=0.45))
    core.set_target(Mode.TORQUE, torque)
    run(core, 0.3)
    assert (core.physics.nut_position_m > 0.4505) == moves
    elsewhere = energised(made("screw_stiff_spot", initial_output_m=0.2))
    elsewhere.set_target(Mode.TORQUE, 0.04)
    run(elsewhere, 0.3)
    assert elsewhere.physics.nut_position_m > 0.2005


def test_a_jammed_nut_takes_any_torque():
    core = energised(made("nut_jammed"))
    core.set_target(Mode.TORQUE, 2.0)
    run(core, 0.3)
    assert (core.position_counts, core.physics.nut_position_m) == (0, 0.5)
    assert core.torque_N_m == pytest.approx(2.0, rel=1e-6)


def test_an_end_stop_inside_ends_the_travel_early():
    core = energised(made("end_stop_inside"))
    core.set_target(Mode.TORQUE, 0.1)
    run(core, 4.0)
    assert core.physics.output_position_m == pytest.approx(0.7, abs=1e-3)
    assert core.peak_end_speed_m_s > 0.01


# -- motor -----------------------------------------------------------------------------


def three_phase_torque(
    current_A: float, constant: float, field_rad: float, rotor_rad: float, swapped: bool
) -> float:
    """Torque of a three-phase machine with sinusoidal EMF, from its phase currents.

    T·ω = Σ e_x·i_x with EMFs e_x/ω = −√(2/3)·k·sin(θ − 2πx/3) and currents in phase with what
    the drive takes for θ, scaled so that T = constant·current when it is right (textbook
    identity of field oriented control; from memory).
    """
    phases = [-math.sin(field_rad - 2 * math.pi * x / 3) for x in range(3)]
    if swapped:
        phases[1], phases[2] = phases[2], phases[1]
    emf = [-math.sin(rotor_rad - 2 * math.pi * x / 3) for x in range(3)]
    return constant * current_A * 2 / 3 * sum(i * e for i, e in zip(phases, emf, strict=True))


FREE = SLIDE.but(
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
    # Where cos passes zero falling: (p'·s − p)·θ = +90°, and for swapped phases −90° of 2·p·θ.
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
    assert core.torque_N_m == pytest.approx(0.3, rel=1e-3)  # as the drive believes


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
        core.set_target(Mode.VELOCITY, 30.0)  # 48 mm/s of the nut
        run(core, 0.5)
        # Braking softly: at much current the winding's heat takes all that comes back.
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
    """(drive, telemetry rows as tuples) of an energised rig in lockstep."""
    drive = LockstepDrive(with_injected_faults(SLIDE, [code] if code else []), 1, period_s)
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
    # A value arrives if neither SYNC nor its own frame is lost: 0.9². A command acts if its
    # own frame comes and the SYNC after it; one that waits may act a cycle late (+0.9²·0.1²).
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
    assert {row[0] for row in rows} == {0.0}  # frames come in time: only their content is old


@pytest.mark.parametrize("heartbeats", [True, False])
def test_a_drive_that_ignores_its_host_goes_on(heartbeats):
    for code, stage in ((None, PowerStage.FAULT), ("heartbeat_ignored", PowerStage.ON)):
        drive, _ = cycles(code, 100)
        for _ in range(200):
            drive.read(0.0)
            if heartbeats:  # commands without the host's heartbeat
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
