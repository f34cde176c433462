"""Each fault alone, by the reports of drive and sensors; pairs, by physics that stays sound."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import Mode
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.injected_faults import INJECTED_FAULTS, with_injected_faults
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.parameters import RigParameters
from tests.drivers.simulated.drive_cores import MIDDLE
from tests.drivers.simulated.faulty_cores import energised, made, run

COUNT_M = 0.015 / 4096
SET_N_M = 60e3  # stiffness of each of the two spring sets


def pushed(core: SimulatedDriveCore, force_N: float) -> float:
    """Return the reading from zero, in counts, with the screw held and the output pushed."""
    core.environment.hold_screw(True)
    core.environment.push(force_N)
    run(core, 2.0)
    return core.deflection_counts - 2048


def turned(core: SimulatedDriveCore, turns: float) -> tuple[int, float]:
    """Return counts and nut travel of a screw turned by hand."""
    counts, nut = core.position_counts, core.physics.nut_position_m
    core.environment.turn_screw(turns)
    for _ in range(100):
        run(core, 0.1)
        if not core.physics.turning:
            break
    run(core, 0.2)
    return core.position_counts - counts, core.physics.nut_position_m - nut


# -- the catalogue ---------------------------------------------------------------------


def test_every_mistake_changes_the_rig_and_survives_json():
    for code, mistake in INJECTED_FAULTS.items():
        parameters = with_injected_faults(MIDDLE, [code])
        assert mistake.code == code and mistake.sentence
        assert parameters.injected_faults == (code,)
        assert parameters.but({"injected_faults": ()}) != MIDDLE
        assert RigParameters.from_json(parameters.to_json()) == parameters
        assert with_injected_faults(parameters, [code]) == parameters  # applied once, not twice


@given(st.sets(st.sampled_from(sorted(INJECTED_FAULTS))), st.randoms())
def test_order_does_not_matter(codes, chance):
    shuffled = list(codes)
    chance.shuffle(shuffled)
    assert with_injected_faults(MIDDLE, shuffled) == with_injected_faults(MIDDLE, sorted(codes))


@pytest.mark.parametrize(
    "code, near",
    [
        ("spring_soft", "'springs_soft'"),
        ("phase_swapped", "'phases_swapped'"),
        ("xyz", "one of those that 'hookeline bringup --list' shows"),
    ],
)
def test_an_unknown_code_is_refused_with_near_ones(code, near):
    with pytest.raises(ValueError, match=f"no fault '{code}'; write .*{near}"):
        with_injected_faults(MIDDLE, ["nut_jammed", code])


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
    # Contact opens 30 times a second, for 3 ms each, rounded up to the end of a period.
    expected = 30 * 0.0035 / (1 + 30 * 0.0035)
    assert wiggled.count(0) / len(wiggled) == pytest.approx(expected, rel=0.35)
    assert after.count(0) < 0.02 * len(after)
    assert set(quiet) | set(wiggled) <= {0, 2048}
    sound = made()
    sound.environment.wiggle_cable(1.0)
    assert set(run(sound, 1.0)) == {2048}


@pytest.mark.parametrize("swapped", [False, True])
def test_swapped_channels_show_the_sensor_at_the_spare_input(swapped):
    drive = LockstepDrive(with_injected_faults(MIDDLE, ["channels_swapped"] if swapped else []), 1)
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
        ("heartbeat_ignored", 4096, 0.010),  # no effect on the reading: as a healthy rig
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
        # 0.5 mm of play, then one set alone
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
    # In the stiff spot: break-away 0.03 N·m, and 4·0.02 + 0.02 N·m on top.
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
