"""The force loop on the simulated rig, and its design against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from drivers.base import Command, PowerRequest, PowerStage
from hil.behaviours import check_behaviour, passive_bounds, start_behaviour
from hil.calibration import ForceCalibration
from hil.devices import make_lockstep_drive
from hil.estimation import Estimator
from hil.force_design import Plant, design, design_for_plant, feedback_row
from hil.force_law import ForceLaw
from hil.limits import Limit
from hil.profile.loader import load_profile
from hil.profile.schema import Calibration, DeflectionSensor, Polynomial, TwoSlopes
from hil.requests import ConstantForce, HoldPosition, VirtualSpring, Waveform
from hil.shaping import Shaper

T = 0.001
PROFILE = load_profile("footplate_trainer")


def blocked(force, seconds: float) -> np.ndarray:
    """(spring force, torque) each cycle with the output blocked and ``force(t)`` asked."""
    drive = make_lockstep_drive(PROFILE, 1)
    drive.open()
    drive.core.surroundings.disturb("block", True)
    calibration = ForceCalibration(PROFILE.calibration, PROFILE.sensors.deflection)
    estimator = Estimator(PROFILE, T)
    law = ForceLaw(PROFILE, design(PROFILE, T, T), T)
    command = Command(power=PowerRequest.ON)
    per_rad = PROFILE.actuator.screw.lead / (2 * math.pi)
    rows = []
    offset = None
    for i in range(round(seconds / T)):
        telemetry = drive.read()
        deflection = calibration.deflection(telemetry.deflection_counts)
        nut = telemetry.position_rad * per_rad
        if offset is None:
            offset = deflection - nut
            estimator.reset(deflection, deflection)
        measured = calibration.force(deflection)
        estimator.update(nut + offset, deflection, measured, telemetry.torque_N_m, T)
        torque = 0.0
        if telemetry.power == PowerStage.ON:
            torque = law.torque(force(i * T), estimator, T, 2.5)
        command.torque_N_m = torque
        drive.write(command)
        rows.append((measured, torque))
    return np.array(rows)


@pytest.mark.parametrize("asked", [60.0, 250.0, 450.0])
def test_force_follows_on_both_slopes(asked):
    rows = blocked(lambda t: asked if t > 0.3 else 0.0, 2.5)
    assert rows[-800:, 0].mean() == pytest.approx(asked, abs=1.5)
    assert rows[:, 0].max() < asked + 20
    assert rows[-800:, 1].std() < 0.02  # N·m: no hunting in stiction


def test_bandwidth_is_the_asked_one():
    """−3 dB point on the rig against ``control.force_bandwidth``, by sines at 1 and 25 Hz."""
    gains = []
    for frequency in (1.0, PROFILE.control.force_bandwidth):
        rows = blocked(lambda t, f=frequency: 150 + 40 * math.sin(2 * math.pi * f * t), 3.0)
        n = np.arange(1000, 3000)
        turn = np.exp(-2j * np.pi * frequency * n * T)
        gains.append(abs(2 * np.mean(rows[n, 0] * turn)) / 40)
    assert gains[1] / gains[0] == pytest.approx(1 / math.sqrt(2), abs=0.09)


def test_prediction_agrees_with_scipy():
    """Closed-loop bandwidth and poles once more, by scipy.signal on the same plant."""
    plant = Plant(47.4, 40.0, 120e3, T, 1)
    gains = design_for_plant(plant, 25.0, 40.0, 0.8, True)
    a, b = plant.matrices()
    row, reference = feedback_row(plant, gains.natural_rad_s, 0.8, True)
    closed = a - b @ row[None, :]
    assert np.all(np.abs(np.linalg.eigvals(closed)) < 1)
    c = np.zeros((1, a.shape[0]))
    c[0, 0] = 1
    w, h = signal.dfreqresp((closed, b * reference, c, np.zeros((1, 1)), T), n=20000)
    magnitude = np.abs(h) / abs(h[1])
    bandwidth = w[np.nonzero(magnitude < 1 / math.sqrt(2))[0][0]] / (2 * math.pi * T)
    assert gains.predicted.bandwidth_Hz == pytest.approx(bandwidth, rel=0.02)
    # The continuous plant that was discretised, by scipy's own zero-order hold.
    k, m, damping, lag = 120e3, 47.4, 40.0, plant.lag_s
    continuous = (
        np.array([[0, 1, 0], [-k / m, -damping / m, 1 / m], [0, 0, -1 / lag]]),
        np.array([[0], [0], [1 / lag]]), np.eye(3), np.zeros((3, 1)),
    )
    ad, bd, *_ = signal.cont2discrete(continuous, T)
    assert np.allclose(a[:3, :3], ad) and np.allclose(a[:3, 3:4], bd)


def test_bandwidth_yields_to_the_margin_and_says_so():
    gains = design_for_plant(Plant(360, 2200, 350e3, T, 3), 70.0, 50.0, 0.8, False)
    assert gains.predicted.phase_margin_deg >= 49
    assert "not the asked 70 Hz" in gains.notice


laws = st.builds(
    TwoSlopes,
    kind=st.just("two_slopes"),
    inner_rate=st.floats(1e3, 1e6).map(lambda v: f"{v} N/m"),
    outer_rate=st.floats(1e3, 1e6).map(lambda v: f"{v} N/m"),
    knee=st.floats(0, 0.01).map(lambda v: f"{v} m"),
) | st.just(Polynomial(kind="polynomial", coefficients=(0.0, 60.0, 0.0, 2.0)))


@given(laws, st.floats(-0.02, 0.02))
def test_spring_law_and_its_inverse_agree(law, deflection):
    calibration = ForceCalibration(
        Calibration(zero=2048, deflection_per_count="3 um/count", spring_law=law),
        DeflectionSensor(span="15 mm"),
    )
    force = calibration.force(deflection)
    assert calibration.deflection_for(force) == pytest.approx(deflection, abs=2e-9)
    assert calibration.stiffness(deflection) > 0


@settings(deadline=None)
@given(
    st.floats(-600, 600), st.lists(st.floats(-5e3, 5e3), min_size=1, max_size=50),
    st.floats(-600, 0), st.floats(0, 600),
)
def test_shaped_force_keeps_caps_and_starts_without_a_step(start, asked, low, high):
    shaper = Shaper(PROFILE)
    start = max(low, min(high, start))
    shaper.start(start)
    last = start
    for value in asked:
        shaped = shaper.shape(value, low, high, T)
        assert low <= shaped <= high
        assert abs(shaped - last) <= PROFILE.limits.force_rate.bounded * T + 1e-9
        last = shaped
    # the first step stays near the start: the change of behaviour is blended in
    shaper.start(start)
    assert abs(shaper.shape(asked[0], low, high, T) - start) <= abs(asked[0] - start) * 0.05 + 1e-9


def test_a_virtual_spring_stays_within_the_passive_bound():
    """Vallery et al. 2008: stiffness rendered through a spring k is passive up to k."""
    inner, outer, _ = passive_bounds(PROFILE)
    assert inner < 120e3 and outer < 60e3
    behaviour = VirtualSpring(rest_m=0.03, stiffness_N_m=200e3)
    checked = check_behaviour(behaviour, PROFILE)  # this profile bounds
    assert checked.bounded_mask >> Limit.VIRTUAL_STIFFNESS & 1
    refusing = PROFILE.model_copy(
        update={"control": PROFILE.control.model_copy(update={"over_stiff": "refuse"})}
    )
    assert "refused" in (check_behaviour(behaviour, refusing).refusal or "")
    active = start_behaviour(checked.behaviour, PROFILE, 0.03, 0.0)
    x = np.linspace(0.03 - 0.008, 0.03 + 0.008, 400)
    force = np.array([active.force(float(v), 0.0, T) for v in x])
    slope = -np.gradient(force, x)
    spring = ForceCalibration(PROFILE.calibration, PROFILE.sensors.deflection)
    own = np.array([spring.stiffness(spring.deflection_for(float(f))) for f in force])
    # a difference quotient across the knee mixes both slopes
    across = np.maximum(own, np.maximum(np.roll(own, 1), np.roll(own, -1)))
    assert np.all(slope <= across)


@pytest.mark.parametrize(
    ("behaviour", "limit"),
    [
        (ConstantForce(force_N=9000.0), Limit.FORCE),
        (HoldPosition(position_m=0.2), Limit.TRAVEL),
        (HoldPosition(position_m=0.03, speed_m_s=3.0), Limit.SPEED),
        (VirtualSpring(rest_m=-1.0, stiffness_N_m=1e3), Limit.TRAVEL),
        (ConstantForce(force_N=1.0, damping_N_s_m=1e9), Limit.DAMPING),
    ],
)
def test_requests_outside_limits_are_trimmed(behaviour, limit):
    checked = check_behaviour(behaviour, PROFILE)
    assert checked.refusal is None and checked.bounded_mask == 1 << limit


def test_waveforms_follow_their_formula():
    wave = start_behaviour(
        Waveform(shape="sweep", offset=10, amplitude=5, frequency_Hz=1, end_frequency_Hz=20,
                 duration_s=4.0), PROFILE, 0.03, 0.0)
    t = np.arange(0, 4, T)
    got = np.array([wave.force(0.03, 0.0, T) for _ in t])
    reference = 10 + 5 * signal.chirp(t, 1, 4.0, 20, method="logarithmic", phi=-90)
    assert np.allclose(got, reference, atol=1e-6)
    assert check_behaviour(
        Waveform(shape="sine", frequency_Hz=400.0, amplitude=1.0), PROFILE
    ).refusal
    assert check_behaviour(Waveform(shape="table", points=((0.0, 1.0),)), PROFILE).refusal
