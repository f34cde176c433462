"""Figures of force and speed from records with known forces and powers."""

import math

import numpy as np
import pytest

from drivers.base import PowerStage
from hil.bench import LockstepBench
from hil.measure import force_speed, held_weights, move_prediction, weight_moves
from hil.measure.characteristic import Window
from hil.profile import holding_force, load_profile
from tests.hil.measure.synthetic import SyntheticRun

PROFILE = load_profile("footplate_trainer")
SLIDE = load_profile("bench_slide")
COUNT_M = PROFILE.actuator.screw.lead / PROFILE.sensors.motor.counts_per_revolution


def pushed(breaks_at_N):
    """Return a slow push by hand; the nut follows once the force has passed ``breaks_at_N``."""
    rows = round(force_speed.PUSHES / force_speed.PUSH_Hz * PROFILE.control.rate)
    t = np.arange(rows) / PROFILE.control.rate
    force = 65.0 * np.sin(2 * math.pi * force_speed.PUSH_Hz * t)
    nut, at = np.empty(rows), 0.0
    for i, f in enumerate(force):
        at += 2e-6 * math.copysign(1.0, f) if abs(f) > breaks_at_N else 0.0
        nut[i] = COUNT_M * math.floor(at / COUNT_M)
    noise = np.random.default_rng(1).normal(0, 0.4, rows)
    columns = {"time_s": t, "nut_position_m": nut, "spring_force_N": force + noise}
    return SyntheticRun(columns, [("push", 0, rows, {})])


@pytest.mark.parametrize("breaks_at_N", [20.0, 35.0])
def test_the_force_that_drives_the_screw_back_is_found(breaks_at_N):
    figure = force_speed._back_driving(pushed(breaks_at_N), PROFILE)
    assert abs(figure.value - breaks_at_N) < figure.u95 < 4.0


def test_a_screw_that_is_not_driven_back_is_reported():
    with pytest.raises(ValueError, match="self-locking"):
        force_speed._back_driving(pushed(1e9), PROFILE)


def test_power_at_the_motor_is_shaft_power_and_copper_loss():
    motor, n = PROFILE.actuator.motor, 5
    speed_m_s, torque = 0.1, 0.9
    columns = {
        "measured_torque_N_m": np.full(n, torque),
        "nut_velocity_m_s": np.full(n, speed_m_s),
        "motor_heat": np.zeros(n),
    }
    run = SyntheticRun(columns, [])
    power = force_speed.electrical_W(run, Window("", 0, n), PROFILE)
    shaft = torque * speed_m_s * PROFILE.actuator.radians_per_metre
    copper = motor.winding_resistance * (torque / motor.torque_constant) ** 2
    assert power == pytest.approx(shaft + copper)


def test_a_reported_supply_current_takes_the_place_of_the_estimate():
    n = 2000
    off = np.arange(n) < 1000
    columns = {
        "time_s": np.arange(n) / 1000,
        "power_stage": np.where(off, PowerStage.OFF, PowerStage.ON),
        "supply_V": np.full(n, 36.0),
        "supply_A": np.where(off, 0.05, 2.0),
    }
    run = SyntheticRun(columns, [])
    assert force_speed.supply_reported(run)
    assert force_speed.electrical_W(run, Window("", 1000, n), PROFILE) == pytest.approx(72.0)
    assert force_speed._rest_W(run) == pytest.approx(1.8)
    silent = SyntheticRun(columns | {"supply_A": np.full(n, np.nan)}, [])
    older = SyntheticRun({"time_s": columns["time_s"]}, [])
    for run in (silent, older):
        assert not force_speed.supply_reported(run) and force_speed._rest_W(run) is None


@pytest.mark.parametrize("name", ["treadle_lines", "footplate_trainer"])
def test_a_drive_that_is_described_so_tells_its_supply_current(name):
    bench = LockstepBench(load_profile(name))
    rows = bench.run(0.05)
    told = [row.supply_A for row in rows]
    p = bench.drive.core.parameters
    if name == "treadle_lines":
        assert told[-1] == pytest.approx(p.drive_idle_W / p.supply_V, abs=0.011)
    else:
        assert all(math.isnan(each) for each in told)


def lifts(seed, noise):
    """Return four moves of 36 mm in 0.75 s with 380 N and a superimposed swing of 5 Hz."""
    chance, t = np.random.default_rng(seed), np.arange(1000) / 1000
    s = np.clip(t / 0.75, 0, 1)
    x = 0.01 + 0.036 * (10 * s**3 - 15 * s**4 + 6 * s**5) + 2e-4 * np.sin(2 * math.pi * 5 * t)
    position, force = np.tile(x, 4), np.full(4 * len(t), 380.0)
    count = 3e-6 * noise
    columns = {
        "time_s": np.arange(4 * len(t)) / 1000,
        "output_position_m": position + chance.normal(0, count, len(position)),
        "spring_force_N": force + chance.normal(0, 120e3 * count, len(position)),
        "measured_torque_N_m": np.full(len(position), 0.5),
        "nut_velocity_m_s": np.full(len(position), 0.05),
        "motor_heat": np.zeros(len(position)),
    }
    return SyntheticRun(
        columns, [("lift", i * 1000, (i + 1) * 1000, {"weight_kg": 5.0}) for i in range(4)]
    )


def test_noise_is_no_peak_power():
    """The highest of 750 noisy products is 0.4 % above the truth: a third of the band."""
    clean = force_speed._energies(lifts(0, 0.0), "lift", PROFILE, 5.0)[3].mean()
    off = [
        force_speed._energies(lifts(seed, 1.0), "lift", PROFILE, 5.0)[3].mean() / clean - 1
        for seed in range(20)
    ]
    assert abs(np.mean(off)) < 1e-3
    assert np.max(np.abs(off)) < 3e-3


def held_and_lifted(zero_N):
    """Return two weights at rest, lifted and lowered; the lighter one makes the supply sag more."""
    rows, marked, held, volts = 0, [], [], []
    for mass, force_N, sag_V in ((2.5, 205.0, 0.3), (5.0, 370.0, 0.1)):
        for name in ("lift", "lower") * 2:
            held.append(np.r_[np.full(400, force_N + zero_N), np.full(600, 1.2 * force_N)])
            low = 36.0 - sag_V if name == "lift" else 35.9
            volts.append(np.r_[np.full(400, 36.0), np.full(600, low)])
            marked.append((name, rows + 400, rows + 1000, {"weight_kg": mass}))
            rows += 1000
    columns = {
        "time_s": np.arange(rows) / 1000,
        "spring_force_N": np.concatenate(held),
        "supply_V": np.concatenate(volts),
    }
    return SyntheticRun(columns, marked)


def test_a_held_weight_is_measured_at_rest_and_beside_what_check_predicts():
    run = held_and_lifted(zero_N=1.0)
    for mass, force_N in ((2.5, 205.0), (5.0, 370.0)):
        expected = holding_force(PROFILE, mass)
        found = held_weights.rod_force(run, PROFILE, mass, expected)
        assert found.value == pytest.approx(force_N + 1.0)
        # What check predicts holds where the lever is level: at both ends it is tilted by 16°.
        assert found.predicted == pytest.approx(0.962 * expected, rel=1e-3) and not found.differs
        # The band contains the uncertainty of the force's zero, as the calibration states it.
        assert found.u95 >= 2 * PROFILE.calibration.absolute_uncertainty


def test_the_supply_sags_most_with_one_weight_whose_lifts_repeat():
    found = held_weights.supply_sag(held_and_lifted(0.0), PROFILE)
    assert found.value == pytest.approx(0.3) and "2.5 kg" in found.conditions
    assert found.u95 < 0.05


def test_a_weight_is_lifted_no_faster_than_its_acceleration_permits():
    found = weight_moves.weights_lifted(PROFILE)
    assert [mass for mass, _, _ in found] == [2.5, 5.0]
    light, heavy = found
    assert heavy[2] < light[2] <= weight_moves.SPEED_SHARE * PROFILE.limits.speed.limited
    for mass, force, _ in found:
        assert force < weight_moves.FORCE_SHARE * PROFILE.limits.force.limited
        expected = move_prediction.predicted_move(PROFILE, mass, 0.05, 1.0)
        assert 0.0 < expected.efficiency[0] < PROFILE.actuator.screw.efficiency_forward
        assert force * 0.05 < expected.peak_W[0] < 1.35 * force * 0.05  # the move overshoots
        assert 0.0 < expected.sag_V[0] < 0.1


def test_a_lowered_weight_is_held_by_lifting_torque_and_a_lifted_one_by_less():
    lifted, lowered = (
        move_prediction.predicted_move(SLIDE, 2.0, 0.135, sense) for sense in (1.0, -1.0)
    )
    # As the simulated slide measures: 0.64 and 0.22 by its true states.
    assert lifted.efficiency[0] == pytest.approx(0.636, abs=0.02)
    assert lowered.efficiency[0] == pytest.approx(0.216, abs=0.02)


def test_a_profile_without_a_supply_predicts_no_sag():
    bare = PROFILE.model_copy(update={"simulation": None})
    assert math.isnan(move_prediction.predicted_move(bare, 2.5, 0.05, 1.0).sag_V[0])
