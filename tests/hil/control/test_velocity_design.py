"""The design over a drive's own loops meets its stated figures, by its model and by theory."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.base import Mode, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from hil.control.observer_gains import observer_gains
from hil.control.velocity_design import design_velocity
from hil.control.velocity_model import VelocityLoop
from hil.control.velocity_passivity import most_passive_integral
from hil.profile import load_profile, rig_parameters

PERIOD = 0.001
TRAINER = load_profile("footplate_trainer")
SOURCES = {"velocity": Mode.VELOCITY, "position": Mode.POSITION}


def asked(bandwidth_Hz, loop_Hz=40.0, delay_s=0.0, base=TRAINER, source="velocity"):
    inner = base.control.velocity_loop.model_copy(update={"bandwidth": loop_Hz, "delay": delay_s})
    changes = {"force_bandwidth": bandwidth_Hz, "velocity_loop": inner, "source": source}
    return base.model_copy(update={"control": base.control.model_copy(update=changes)})


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("bandwidth", [4.0, 12.0])
@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_what_is_asked_is_reached_with_margin_within_passivity(name, bandwidth, source):
    profile = asked(bandwidth, base=load_profile(name), source=source)
    gains = design_velocity(profile, PERIOD, PERIOD)
    assert not gains.notice
    assert gains.predicted.bandwidth_Hz == pytest.approx(bandwidth, rel=0.01)
    assert gains.predicted.phase_margin_deg >= profile.control.phase_margin
    assert gains.predicted.overshoot <= 0.05
    law = gains.law
    assert law.integral_1_s2 <= most_passive_integral(gains.plant, law.proportional_1_s)
    spring = gains.plant.stiffness
    assert 0.3 * spring < gains.passive_stiffness_N_m <= spring
    assert 0 < gains.most_stiffness_N_m <= gains.passive_stiffness_N_m
    assert gains.most_damping(0.0) > 0 and math.isfinite(gains.most_damping(0.0))


def test_a_slow_late_drive_cannot_be_made_fast_and_says_so():
    gains = design_velocity(asked(26.0, loop_Hz=10.0, delay_s=0.008), PERIOD, PERIOD)
    assert gains.predicted.bandwidth_Hz < 20.0
    assert "faster velocity loop" in gains.notice and "not the required 26 Hz" in gains.notice
    assert gains.predicted.phase_margin_deg >= TRAINER.control.phase_margin - 1
    assert gains.predicted.overshoot <= 0.05
    assert gains.passive_stiffness_N_m < 0.8 * gains.plant.stiffness


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("frequency", [3.0, 12.0, 25.0])
def test_the_simulated_drive_answers_as_the_model_does(frequency, source):
    profile = asked(12.0, source=source)
    mode = SOURCES[source]
    position_1_s = 2 * math.pi * profile.control.position_loop.bandwidth
    smooth = {
        "friction_coulomb_N_m": 0.0,
        "friction_breakaway_N_m": 0.0,
        "friction_viscous_N_m_s": 0.0,
        "screw_efficiency_forward": 1.0,
        "screw_efficiency_backward": 1.0,
        "spring_damping_N_s_m": 0.0,
        "drive_velocity_loop_Hz": profile.control.velocity_loop.bandwidth,
        "drive_position_loop_Hz": profile.control.position_loop.bandwidth,
    }
    core = SimulatedDriveCore(rig_parameters(profile).but(smooth))
    core.physics.blocked = True
    core.physics.rebuild()
    core.power, core.mode = PowerStage.ON, mode
    gains = design_velocity(profile, PERIOD, PERIOD)
    law, per_m = gains.law, 2 * math.pi / profile.actuator.screw.lead
    rest, size, integral, seen = core.physics.deflection_m, 0.5e-3, 0.0, []
    cycles = round((max(4, 0.4 * frequency) + 4) / frequency / PERIOD)
    for n in range(cycles):
        deflection = core.physics.deflection_m - rest
        error = size * math.sin(2 * math.pi * frequency * n * PERIOD) - deflection
        command = law.proportional_1_s * error + integral
        integral += PERIOD * law.integral_1_s2 * error
        seen.append(deflection)
        speed = command * per_m * core.parameters.drive_polarity
        at = core._position_rad()
        core.advance(PERIOD)  # a command acts one period after its sample
        core.set_target(mode, speed if source == "velocity" else at + speed / position_1_s)
    last = round(4 / frequency / PERIOD)
    angle = 2 * math.pi * frequency * PERIOD * np.arange(cycles)[-last:]
    basis = np.column_stack([np.sin(angle), np.cos(angle), np.ones(last)])
    real, imaginary, _ = np.linalg.lstsq(basis, np.array(seen[-last:]), rcond=None)[0] / size
    loop = VelocityLoop(gains.plant, law, observer_gains(profile, PERIOD))
    expected = loop.response("deflection", "reference_m", np.array([frequency]))[0]
    assert abs(complex(real, imaginary) - expected) < 0.05 * abs(expected)


@pytest.mark.parametrize("source", SOURCES)
def test_the_noise_is_that_of_a_loop_that_is_fed_with_it(source):
    profile = asked(12.0, source=source)
    gains = design_velocity(profile, PERIOD, PERIOD, bounds=False)
    loop = VelocityLoop(gains.plant, gains.law, observer_gains(profile, PERIOD))
    chance, x, seen = np.random.default_rng(1), np.zeros(len(loop.a)), []
    for _ in range(20_000):
        x = loop.a @ x + loop.b[:, 3] * chance.standard_normal()
        seen.append(x[0])
    assert np.std(seen[1000:]) == pytest.approx(loop.noise_m(1.0), rel=0.1)
    assert 0 < gains.predicted.force_noise_N < 1.0
