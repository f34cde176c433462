"""Figures that use the torque are no more certain than the drive's torque, however repeatable."""

import math

import numpy as np
import pytest

from hil.measure import force_speed, friction, plant, springs
from hil.measure.characteristic import TORQUE_SHARE
from hil.profile import load_profile
from tests.hil.measure.synthetic import SyntheticRun
from tests.hil.measure.test_plant import record

PROFILE = load_profile("footplate_trainer")
PER_METRE = PROFILE.actuator.radians_per_metre
DRY_N_m, VISCOUS_N_m_s = 0.03, 1e-4
NUT_M_S, MOVING_N_m = 0.05, 0.6


class Stitched:
    """A record of consecutive pieces, each with a marked window or without."""

    def __init__(self):
        self.pieces, self.windows, self.rows = [], [], 0

    def add(self, name, values, **columns):
        begin = self.rows
        self.rows += len(next(iter(columns.values())))
        self.pieces.append(columns)
        self.windows.append((name, begin, self.rows, values))

    def run(self, torque):
        names = dict.fromkeys(name for piece in self.pieces for name in piece)
        columns = {
            name: np.concatenate(
                [
                    piece.get(name, np.zeros(len(next(iter(piece.values())))))
                    for piece in self.pieces
                ]
            )
            for name in names
        }
        columns["time_s"] = np.arange(self.rows) / PROFILE.control.rate
        columns["measured_torque_N_m"] = torque * columns["measured_torque_N_m"]
        return SyntheticRun(columns, self.windows)


def sines(torque):
    chance, made = np.random.default_rng(3), Stitched()
    for frequency in plant.SINES_Hz:
        motion = record(48.0, 100.0, 20.0, frequency, chance)
        made.add(
            "sine",
            {"frequency_Hz": frequency},
            nut_position_m=motion.nut_m,
            nut_velocity_m_s=motion.velocity_m_s,
            measured_torque_N_m=motion.motor_N / PER_METRE,
            spring_force_N=motion.spring_N,
        )
    for name in plant.WAVES:
        for realisation in range(plant.REALISATIONS):
            t = made.rows / PROFILE.control.rate + np.arange(1010) / PROFILE.control.rate
            wave = plant._wave(PROFILE, name, realisation)
            phases = np.exp(2j * math.pi * wave.frequencies_Hz[:, None] * t)
            force = np.real(wave.sizes @ phases)
            made.add(
                f"wave {name}",
                {},
                setpoint_force_N=force,
                commanded_torque_N_m=force / PER_METRE,
                measured_torque_N_m=force / PER_METRE,
                spring_force_N=force,
            )
    return made.run(torque)


def loops(torque):
    chance, made = np.random.default_rng(4), Stitched()
    law, screw = PROFILE.calibration.spring_law, PROFILE.actuator.transmission
    most = springs._amplitude_N(PROFILE)
    far = law.knee + (most - law.inner_rate * law.knee) / law.outer_rate
    half = round(0.5 * springs.LOOP_S * PROFILE.control.rate)
    d = np.concatenate([np.linspace(far, -far, half), np.linspace(-far, far, half)])
    sense = np.repeat([-1.0, 1.0], half)
    size = np.abs(d)
    force = np.sign(d) * np.where(
        size < law.knee,
        law.inner_rate * size,
        law.inner_rate * law.knee + law.outer_rate * (size - law.knee),
    )
    gain = np.where(sense * force > 0, 1 / screw.efficiency_forward, screw.efficiency_backward)
    motor = gain * force + sense * DRY_N_m * PER_METRE
    for _ in range(3):  # the smallest permitted number
        made.add(
            "loop",
            {},
            nut_position_m=d,
            nut_velocity_m_s=sense * 2 * far / springs.LOOP_S,
            measured_torque_N_m=motor / PER_METRE,
            spring_force_N=force + chance.normal(0, 0.5, len(d)),
        )
    return made.run(torque)


def slides(torque):
    chance, made = np.random.default_rng(5), Stitched()
    for speed in friction.SPEEDS_M_S:
        for sense in (1.0, -1.0):
            t = np.arange(round(0.04 / speed * PROFILE.control.rate)) / PROFILE.control.rate
            size = DRY_N_m + VISCOUS_N_m_s * PER_METRE * speed
            made.add(
                "slide",
                {"speed_m_s": sense * speed},
                nut_position_m=sense * speed * t,
                nut_velocity_m_s=np.full(len(t), sense * speed),
                measured_torque_N_m=sense * size + chance.normal(0, 1e-5, len(t)),
                spring_force_N=np.zeros(len(t)),
            )
    ramp = np.arange(1000) / 1000
    for _ in range(friction.PLACES):
        for sense in (1.0, -1.0):
            made.add(
                "breakaway",
                {"sense": sense},
                nut_position_m=sense * np.where(ramp > 0.5, 1e-3 * (ramp - 0.5), 0.0),
                nut_velocity_m_s=np.zeros(len(ramp)),
                measured_torque_N_m=sense * 2 * DRY_N_m * ramp,
                spring_force_N=np.zeros(len(ramp)),
            )
    return made.run(torque)


@pytest.mark.parametrize(
    ("test", "made", "unaffected"),
    [
        (plant.TEST, sines, {"plant.stiffness", "plant.delay"}),
        (
            springs.TEST,
            loops,
            {"springs.lost_motion", "springs.knee_extending", "springs.knee_retracting"},
        ),
        (friction.TEST, slides, {"friction.ripple_once_a_turn"}),
    ],
)
def test_a_torque_that_is_off_as_far_as_it_may_be_is_within_the_band(test, made, unaffected):
    stated = {c.name: c for c in test.evaluate(made(1.0), PROFILE).characteristics}
    found = {c.name: c for c in test.evaluate(made(1 + TORQUE_SHARE), PROFILE).characteristics}
    moved = {name for name, c in stated.items() if abs(found[name].value / c.value - 1) > 1e-3}
    assert moved - {"friction.ripple_once_a_turn"} == set(stated) - unaffected
    for name in moved:
        off = abs(found[name].value - stated[name].value)
        assert off <= stated[name].u95, name


def test_power_at_the_motor_is_no_better_known_than_the_torque():
    n, made = 2000, Stitched()
    for _ in range(3):
        made.add(
            "lift",
            {"weight_kg": 5.0},
            output_position_m=np.linspace(0.0, NUT_M_S, n),
            spring_force_N=np.full(n, 380.0),
            measured_torque_N_m=np.full(n, MOVING_N_m),
            nut_velocity_m_s=np.full(n, NUT_M_S),
            motor_heat=np.zeros(n),
        )
    whole = []
    for torque in (1.0, 1 + TORQUE_SHARE):
        found = force_speed._energies(made.run(torque), "lift", PROFILE, 5.0)
        whole.append((found[1][0], found[2][0]))
    shaft_J = NUT_M_S * PER_METRE * MOVING_N_m * n / PROFILE.control.rate
    heat_J = whole[0][0] - shaft_J
    resistance_J = force_speed.RESISTANCE_KNOWN * heat_J
    off = whole[1][0] - whole[0][0]
    assert whole[0][1] == pytest.approx(math.hypot(resistance_J, off), rel=0.01)
