"""A profile becomes its drive and its simulated rig."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from typing import Any

import pytest

from drivers.base import DriverError, PowerStage
from drivers.simulated.parameters import RigParameters
from hil.profile.devices import (
    drive_options,
    live_cycle_late_s,
    make_drive,
    make_lockstep_drive,
    rig_parameters,
)
from hil.profile.loader import load_profile, profile_from_dict, profile_to_dict
from hil.profile.problems import ProfileError
from hil.profile.schema import Profile

NAMES = ["footplate_trainer", "bench_slide"]


def changed(name: str, **parts: dict[str, object]) -> Profile:
    """Return a shipped profile with keys of its top-level parts replaced, in SI."""
    data = profile_to_dict(load_profile(name))
    for part, values in parts.items():
        data[part] = {**data[part], **values}
    return profile_from_dict(data)


def test_footplate_rig_is_the_scenario() -> None:
    p = rig_parameters(load_profile("footplate_trainer"))
    assert (p.rig, p.rod_arm_m, p.load_arm_m) == ("lever_sector", 0.06, 0.42)
    assert (p.screw_lead_m, p.screw_hand, p.drive_polarity) == (0.01, 1.0, 1.0)
    assert (p.spring_rate_push_N_m, p.spring_rate_pull_N_m) == pytest.approx((60e3, 60e3))
    assert (p.spring_preload_m, p.spring_solid_m) == pytest.approx((0.003, 0.009))
    assert (p.sensor_bits, p.sensor_zero_counts, p.sensor_sign) == (12, 2048.0, 1.0)
    assert p.sensor_scale == pytest.approx(1.0)
    # The drive's own motion limits do not exceed the profile's tripped values.
    assert p.drive_max_torque_N_m == pytest.approx(0.09 * 30)
    assert p.drive_overcurrent_A > p.drive_max_torque_N_m / 0.09
    assert p.drive_overspeed_rad_s == pytest.approx(0.320 / 0.010 * 2 * math.pi)
    assert p.off_state == "shorted"  # from simulation.actual
    assert RigParameters.from_json(p.to_json()) == p


def test_slide_rig_keeps_its_signs() -> None:
    p = rig_parameters(load_profile("bench_slide"))
    assert (p.rig, p.linear_vertical, p.carriage_mass_kg) == ("linear", True, 6.0)
    assert (p.screw_hand, p.drive_polarity, p.sensor_sign) == (-1.0, -1.0, -1.0)
    # One count of the simulated sensor equals the calibration's count.
    per_count = p.sensor_span_m / 2**p.sensor_bits / p.sensor_scale
    assert per_count == pytest.approx(1.4684e-6)


@pytest.mark.parametrize("name", NAMES)
def test_the_simulated_sensors_say_what_the_profile_believes(name: str) -> None:
    """Counts converted by the profile's calibration give the simulated springs' deflection."""
    profile = load_profile(name)
    calibration = profile.calibration
    drive = make_lockstep_drive(profile, seed=3)
    drive.open()
    physics = drive.core.physics
    # A hand lifts the output, and the springs must drag the nut along.
    drive.core.environment.push(200.0 / (7.0 if profile.rig.kind == "lever" else 1.0))
    told, true = [], []
    for _ in range(60):
        counts = drive.read(0.0).deflection_counts
        told.append((counts - calibration.zero) * calibration.deflection_per_count)
        true.append(physics.nut_position_m - physics.output_position_m)
    assert min(true) < -0.2e-3
    # Noise, rounding and the profile's simulated hysteresis account for a few counts.
    assert told == pytest.approx(true, abs=8 * abs(calibration.deflection_per_count))
    assert drive.telemetry.power is PowerStage.OFF


def test_actual_values_override_by_name() -> None:
    base = changed("bench_slide", simulation={"actual": {}})
    profile = changed("bench_slide", simulation={"actual": {"spring_hysteresis": 0.02}})
    expected = dataclasses.replace(rig_parameters(base), spring_hysteresis=0.02)
    assert rig_parameters(profile) == expected


@pytest.mark.parametrize(
    ("actual", "key", "what"),
    [
        (
            {"spring_hysteresi": 0.1},
            "simulation.actual.spring_hysteresi",
            "did you mean 'spring_hysteresis'",
        ),
        ({"rotor_inertia_kg_m2": -1}, "simulation.actual.rotor_inertia_kg_m2", "above 0"),
        ({"pole_pairs": 2.5}, "simulation.actual.pole_pairs", "integer"),
        ({"supply_V": "36 V"}, "simulation.actual.supply_V", "number in SI units"),
        ({"supply_V": True}, "simulation.actual.supply_V", "number in SI units"),
        ({"stroke_m": [1]}, "simulation.actual.stroke_m", "number in SI units"),
    ],
)
def test_impossible_actual_values_are_named(actual: dict[str, object], key: str, what: str) -> None:
    profile = changed("footplate_trainer", simulation={"actual": actual})
    with pytest.raises(ProfileError) as caught:
        rig_parameters(profile)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert what in problem.what
    assert problem.fix


def test_drive_options_and_the_local_bus_in_place_of_the_profiles() -> None:
    profile = changed(
        "footplate_trainer", drive={"bus": {"interface": "socketcan", "channel": "can0"}}
    )
    assert drive_options(profile).bus.interface == "socketcan"
    bus = drive_options(profile, Path("/tmp/x")).bus
    assert (bus.interface, bus.channel) == ("local_socket", "/tmp/x/can.sock")
    assert profile.drive["bus"]["channel"] == "can0"


def test_the_encoder_is_reported_once_and_the_data_sheet_is_found() -> None:
    options = drive_options(load_profile("footplate_trainer"))
    assert options.counts_per_revolution == 4096
    assert Path(options.eds).is_file()
    other = changed("footplate_trainer", drive={"counts_per_revolution": 2048})
    assert drive_options(other).counts_per_revolution == 2048


def test_the_drives_own_watch_is_the_profiles(tmp_path: Path) -> None:
    profile = changed("footplate_trainer", drive={"host_loss": "70 ms"})
    assert rig_parameters(profile).drive_host_loss_s == pytest.approx(0.07)
    assert make_lockstep_drive(profile).capabilities.host_loss_s == pytest.approx(0.07)
    drive = make_drive(profile, tmp_path)
    # Nothing listens there: making a drive does not open it.
    with pytest.raises(DriverError):
        drive.open()
    drive.close()


@pytest.mark.parametrize("name", ["footplate_trainer", "treadle_can", "treadle_frames"])
def test_a_live_simulated_drive_bears_what_holds_up_both(name: str, tmp_path: Path) -> None:
    profile = load_profile(name)
    assert rig_parameters(profile).drive_host_loss_s == pytest.approx(0.015)
    assert live_cycle_late_s(profile) == pytest.approx(0.09)

    def watch_s(options: Any) -> float:
        return options.members["motor"].host_loss if name == "treadle_frames" else options.host_loss

    assert watch_s(drive_options(profile)) == pytest.approx(0.015)
    assert watch_s(drive_options(profile, tmp_path)) == pytest.approx(0.1)
    assert watch_s(drive_options(profile, live=True)) == pytest.approx(0.1)
    real = profile.model_copy(update={"simulation": None})
    assert watch_s(drive_options(real, live=True)) == pytest.approx(0.015)
    assert live_cycle_late_s(real) == pytest.approx(0.013)


def test_wrong_options_are_a_profile_error() -> None:
    with pytest.raises(ProfileError, match=r"drive\.node: .*127"):
        drive_options(changed("footplate_trainer", drive={"node": 1000}))
    with pytest.raises(DriverError, match="no drive protocol 'semaphore'"):
        drive_options(changed("footplate_trainer", drive={"protocol": "semaphore"}))


@pytest.mark.parametrize("name", NAMES)
def test_lockstep_repeats_with_its_seed(name: str) -> None:
    def counts(seed: int) -> list[float]:
        drive = make_lockstep_drive(load_profile(name), seed)
        drive.open()
        return [drive.read(0.0).deflection_counts for _ in range(40)]

    assert counts(5) == counts(5)
    assert counts(5) != counts(6)
    assert all(math.isfinite(count) for count in counts(5))
