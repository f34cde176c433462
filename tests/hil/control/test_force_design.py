"""The designed loop against scipy, and its model against the code that runs."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import signal

from hil.control.dry_friction import at_half_power, bandwidth_Hz, drag, left_over_N, sine_N
from hil.control.estimation import Estimator
from hil.control.force_controller import ForceController
from hil.control.force_design import ForceSpecification, design, design_for_plants, plants
from hil.control.force_model import Loop, Plant, law_gains
from hil.control.observer_gains import gains_for, observer_gains
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile

T = 0.001
PROFILE = load_profile("footplate_trainer")
OBSERVER = observer_gains(PROFILE, T)


def changed(**values: object):
    """Return the demo profile with other values under ``control``."""
    return PROFILE.model_copy(update={"control": PROFILE.control.model_copy(update=values)})


def continuous(plant: Plant):
    """Return (A, B, C, D) for the states δ, δ', i, derived independently, for scipy's discretisation."""
    k, b, m, lag = plant.stiffness, plant.viscous, plant.mass, plant.lag_s
    a = np.array([[0, 1, 0], [-k / m, -b / m, 1 / m], [0, 0, -1 / lag]])
    return a, np.array([[0], [0], [1 / lag]]), np.eye(3), np.zeros((3, 1))


def run_code_on_linear_plant(gains, delay_cycles: int, force_N: float, cycles: int) -> np.ndarray:
    """Return the spring force after a step, from controller and estimator around scipy's plant.

    No friction, quantisation, noise or limit: the assumptions of the linear model.
    """
    rig = PROFILE.actuator
    frictionless = PROFILE.model_copy(
        update={"control": PROFILE.control.model_copy(update={"friction_compensation": 0.0})}
    )
    law, estimator = ForceController(frictionless, gains, T), Estimator(PROFILE, T)
    law._dead = 0.0
    a, b, *_ = signal.cont2discrete(continuous(gains.plant), T)
    x = np.zeros(3)
    waiting = [0.0] * delay_cycles
    found = []
    estimator.reset(0.0, 0.0)
    law.torque(0.0, estimator, 1e9)
    for _ in range(cycles):
        force = gains.plant.stiffness * x[0]
        found.append(force)
        estimator.update(x[0], x[0], force, x[2] / rig.radians_per_metre, T)
        waiting.append(law.torque(force_N, estimator, 1e9) * rig.radians_per_metre)
        x = a @ x + b[:, 0] * waiting.pop(0)
    return np.array(found)


@pytest.mark.parametrize("delay_cycles", [0, 1, 2])
@pytest.mark.parametrize("predictor", [True, False])
def test_the_model_is_what_the_code_does(delay_cycles, predictor):
    gains = design(changed(predictor=predictor), T, delay_cycles * T)
    step = 50.0
    got = run_code_on_linear_plant(gains, delay_cycles, step, 250)
    loop = Loop(gains.plant, gains.law, OBSERVER)
    assert got / step == pytest.approx(loop.step(250), abs=1e-3)


def test_fractional_delay_is_what_scipy_gives():
    """Half a period of delay: the new command acts in the second half of each period."""
    plant = Plant(47.4, 40.0, 120e3, T, 1.5 * T)
    phi, gammas, _ = plant.transition
    first, b1, *_ = signal.cont2discrete(continuous(plant), T / 2)
    whole, b, *_ = signal.cont2discrete(continuous(plant), T)
    assert plant.in_flight == 2 and phi[:3, :3] == pytest.approx(whole)
    assert gammas[2][:3] == pytest.approx((first @ b1)[:, 0])
    assert gammas[1][:3] == pytest.approx(b1[:, 0])
    assert sum(gammas[1:], gammas[0])[:3] == pytest.approx(b[:, 0])


@pytest.mark.parametrize("damping", [0.5, 0.8, 1.2])
def test_gains_are_those_of_scipys_pole_placement(damping):
    plant = Plant(47.4, 40.0, 120e3, T, T)
    natural = 170.0
    law = law_gains(plant, natural, damping, 20.0, predictor=True)
    a, b, *_ = signal.cont2discrete(continuous(replace(plant, stiffness=0.0)), T)
    roots = np.roots([1, 2 * damping * natural, natural**2])
    poles = [*np.exp(roots * T), math.exp(-T / plant.lag_s)]
    reference = signal.place_poles(a, b, poles).gain_matrix[0]
    assert [law.position, law.rate, law.current] == pytest.approx(reference, rel=1e-6)
    # With the spring force compensated, these are closed-loop poles, but for the delay of the
    # compensation.
    loop = Loop(plant, law, OBSERVER)
    got = np.linalg.eigvals(loop.a)
    for pole in poles[:2]:
        assert np.min(np.abs(got - pole)) < 0.02


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_bandwidth_and_overshoot_by_scipys_time_domain(name):
    """scipy.signal.dlsim gives the same step response; its frequency response has the −3 dB point."""
    profile = load_profile(name)
    gains = design(profile, T, T)
    assert gains.notice == ""
    loop = Loop(gains.plant, gains.law, observer_gains(profile, T))
    n = len(loop.names)
    c = loop.outputs["deflection"][None, :n]
    system: tuple[Any, ...] = (loop.a, loop.b[:, :1], c, np.zeros((1, 1)), T)
    _, step, _ = signal.dlsim(system, np.ones((1500, 1)))
    assert step[-1, 0] == pytest.approx(1.0, abs=1e-4)
    assert np.max(step) - 1 == pytest.approx(gains.predicted.overshoot, abs=1e-4)
    # Friction lowers the bandwidth: for a sine at −3 dB it equals a viscous drag.
    asked = profile.control.force_bandwidth
    loop = at_half_power(loop, left_over_N(profile), sine_N(profile)[1], asked)
    assert loop.plant.unknown_viscous > 0
    system = (loop.a, loop.b[:, :1], c, np.zeros((1, 1)), T)
    impulse = np.zeros((8192, 1))
    impulse[0] = 1.0
    _, ring, _ = signal.dlsim(system, impulse)
    frequencies = np.fft.rfftfreq(8192 * 8, T)
    size = np.abs(np.fft.rfft(ring[:, 0], 8192 * 8))
    bandwidth = frequencies[np.nonzero(size < size[0] / math.sqrt(2))[0][0]]
    assert gains.predicted.bandwidth_Hz == pytest.approx(bandwidth, rel=0.01)
    assert bandwidth == pytest.approx(asked, rel=0.01)


def test_drag_of_friction_is_its_first_harmonic_and_its_energy():
    """R·sign(v) against v = V·sin: equal first Fourier coefficient, equal loss per period."""
    friction, speed = 30.0, 0.07
    angle = (np.arange(100_000) + 0.5) * 2 * np.pi / 100_000
    velocity = speed * np.sin(angle)
    force = friction * np.sign(velocity)
    found = drag(friction, speed)
    assert found * speed == pytest.approx(2 * np.mean(force * np.sin(angle)), rel=1e-6)
    assert found * np.mean(velocity**2) == pytest.approx(np.mean(force * velocity), rel=1e-6)


def test_friction_left_over_costs_bandwidth_and_small_sines_more():
    gains = design(PROFILE, T, T)
    loop = Loop(gains.plant, gains.law, observer_gains(PROFILE, T))
    found = [
        bandwidth_Hz(loop, friction, amplitude)
        for friction, amplitude in ((0.0, 100.0), (10.0, 100.0), (20.0, 100.0), (20.0, 50.0))
    ]
    assert found == sorted(found, reverse=True) and found[3] < 0.95 * found[0]
    assert design(changed(friction_compensation=1.0), T, T).predicted.bandwidth_Hz == (
        pytest.approx(PROFILE.control.force_bandwidth, rel=0.005)
    )


def test_a_slow_current_loop_is_reckoned_with():
    """A loop designed for the lag keeps its phase margin; one designed without it has less margin."""
    slow = changed(current_loop_lag=0.002)
    known, fast = design(slow, T, T), design(PROFILE, T, T)
    assert known.plant.lag_s == 0.002 and known.predicted.phase_margin_deg >= 39.9
    unaware = Loop(replace(fast.plant, lag_s=0.002), fast.law, observer_gains(PROFILE, T))
    assert unaware.margins()[0] < fast.predicted.phase_margin_deg - 5
    assert observer_gains(slow, T).torque_now != observer_gains(PROFILE, T).torque_now
    assert rig_parameters(slow).current_loop_time_constant_s == 0.002


def test_margins_are_where_the_loop_turns_unstable():
    """Gain raised by the gain margin, or phase by the phase margin, puts a pole on the unit circle."""
    gains = design(PROFILE, T, T)
    for plant in plants(PROFILE, T, T):
        loop = Loop(plant, gains.law, OBSERVER)
        margin, gain = loop.margins()
        n = len(loop.names)
        row = loop.outputs["command"][:n]
        closed = loop.a + (gain - 1) * np.outer(loop.b[:, 1], row)
        assert np.max(np.abs(np.linalg.eigvals(closed))) == pytest.approx(1.0, abs=2e-3)
        turned = loop.a + (np.exp(-1j * math.radians(margin)) - 1) * np.outer(loop.b[:, 1], row)
        assert np.max(np.abs(np.linalg.eigvals(turned))) == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_margin_is_kept_on_every_slope_of_the_spring(name):
    profile = load_profile(name)
    gains = design(profile, T, T)
    choices = plants(profile, T, T)
    assert len(choices) >= 2
    for plant in choices:
        margin, gain = Loop(plant, gains.law, observer_gains(profile, T)).margins()
        assert margin >= profile.control.phase_margin and gain > 2
        # One loop gain on both slopes: the bandwidth is nearly the same beyond the knee.
        bandwidth = Loop(plant, gains.law, observer_gains(profile, T)).bandwidth_Hz()
        first = Loop(choices[0], gains.law, observer_gains(profile, T)).bandwidth_Hz()
        assert bandwidth == pytest.approx(first, rel=0.08)


@pytest.mark.parametrize("predictor", [True, False])
def test_bandwidth_yields_to_the_margin_and_says_so(predictor):
    gains = design(changed(force_bandwidth=90.0, predictor=predictor), T, 3 * T)
    assert gains.predicted.phase_margin_deg == pytest.approx(PROFILE.control.phase_margin, abs=0.5)
    assert "not the required 90 Hz" in gains.notice and "40° phase margin" in gains.notice


def test_predictor_buys_bandwidth():
    found = [
        design(changed(force_bandwidth=90.0, predictor=p), T, 2 * T).predicted.bandwidth_Hz
        for p in (False, True)
    ]
    assert found[1] > 1.2 * found[0]


@pytest.mark.parametrize("predictor", [True, False])
def test_overshoot_stays_small_whatever_damping_is_asked(predictor):
    gains = design(changed(damping_ratio=0.35, predictor=predictor), T, 2 * T)
    assert gains.predicted.overshoot <= 0.05
    assert gains.law.shaping < 1.0  # the reference is smoothed to achieve this


@pytest.mark.parametrize("rate", [100.0, 250.0, 500.0, 2000.0, 5000.0])
def test_designs_of_slow_and_fast_cycles_keep_the_margin(rate):
    gains = design(changed(rate=rate), 1 / rate, 1 / rate)
    assert gains.predicted.phase_margin_deg >= 39.9
    assert gains.notice or gains.predicted.bandwidth_Hz == (
        pytest.approx(PROFILE.control.force_bandwidth, rel=0.03)
    )


def test_a_path_too_slow_for_any_margin_is_reported():
    gains = design(changed(rate=250.0, phase_margin=60.0), 1 / 250, 4 / 250)
    assert gains.predicted.phase_margin_deg < 59
    assert "not the required 60°" in gains.notice


def test_observer_gains_solve_their_riccati_equation():
    """The filter's poles lie inside the unit circle, and its covariance is stationary."""
    m = 47.8
    measured, noise, wander = (2.4e-6) ** 2 / 12, 12.0, 300.0
    gains = gains_for(m, T, measured, noise, wander)
    a = np.array([[1, T, T * T / 2 / m], [0, 1, T / m], [0, 0, 1]])
    g = np.array([T * T / 2 / m, T / m, 0])
    process = np.outer(g, g) * noise**2 + np.diag([0, 0, wander])
    p = np.eye(3) * np.array([1e-10, 1e-4, 1e4])
    for _ in range(3000):
        p = a @ p @ a.T + process
        k = p[:, 0] / (p[0, 0] + measured)
        p = p - np.outer(k, p[0])
    assert [gains.position, gains.velocity, gains.disturbance] == pytest.approx(k, rel=1e-4)
    closed = (np.eye(3) - np.outer(k, [1, 0, 0])) @ a
    assert np.max(np.abs(np.linalg.eigvals(closed))) < 1


def test_plants_given_directly():
    """Published plant: Paine, Oh, Sentis 2014 (values from memory), near its 70 Hz at 1 kHz."""
    plant = Plant(360.0, 2200.0, 350e3, T, T)
    observer = gains_for(360.0, T, 1e-13, 100.0, 1e4)
    wanted = ForceSpecification(
        bandwidth_Hz=70.0, margin_deg=30.0, damping_ratio=0.8, predictor=True
    )
    gains = design_for_plants([plant], observer, wanted)
    assert gains.predicted.phase_margin_deg >= 29.9
    assert gains.predicted.bandwidth_Hz > 45
