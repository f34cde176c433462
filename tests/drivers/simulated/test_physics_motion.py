"""The rig in motion: closed forms of decay and of the winding, scipy, energy, determinism."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from drivers.simulated.parameters import RigParameters
from drivers.simulated.physics import RigPhysics, Winding

FREE = RigParameters(
    rig="linear",
    linear_vertical=False,
    initial_output_m=0.0275,
    friction_coulomb_N_m=0.0,
    friction_breakaway_N_m=0.0,
    friction_viscous_N_m_s=0.0,
    output_damping_N_s_m=0.0,
    spring_damping_N_s_m=0.0,
    winding_resistance_per_K=0.0,
    screw_efficiency_forward=1.0,
    screw_efficiency_backward=1.0,
)


def crossings_and_peaks(time, value):
    rising = np.flatnonzero((value[:-1] < 0) & (value[1:] >= 0))
    at = time[rising] - value[rising] * (time[1] - time[0]) / (value[rising + 1] - value[rising])
    peaks = np.flatnonzero((value[1:-1] > value[:-2]) & (value[1:-1] >= value[2:])) + 1
    return at, value[peaks]


@pytest.mark.parametrize("mass_kg", [2.0, 20.0, 300.0])
@pytest.mark.parametrize("ratio", [0.0, 0.02, 0.1])
@pytest.mark.parametrize("where", ["output", "spring"])
def test_free_decay_frequency_and_logarithmic_decrement(mass_kg, ratio, where):
    # Nut held: f = √(k/m)·√(1 − ζ²)/2π, decrement Λ = 2πζ/√(1 − ζ²) (any text on vibration, e.g.
    # Den Hartog, Mechanical Vibrations, ch. 2; from memory).
    stiffness = 2 * 60e3
    natural = math.sqrt(stiffness / mass_kg)
    physics = RigPhysics(
        FREE.but(
            {
                "carriage_mass_kg": mass_kg,
                f"{where}_damping_N_s_m": 2 * ratio * math.sqrt(stiffness * mass_kg),
            }
        )
    )
    physics.jammed = True
    physics.rebuild()
    rest = physics.coordinate
    physics.coordinate += 0.002
    step = min(1e-3, 0.02 / natural)
    steps = round(8 * 2 * math.pi / natural / step)
    time, moved = np.empty(steps), np.empty(steps)
    for k in range(steps):
        physics.advance(step, 0.0, Winding.OPEN)
        time[k], moved[k] = physics.time_s, physics.coordinate - rest
    at, peaks = crossings_and_peaks(time, moved)
    root = math.sqrt(1 - ratio**2)
    # Damping between the bodies is evaluated at the start of a substep: first order in the step.
    allowed = 2e-3 if where == "spring" else 1e-4
    assert np.mean(np.diff(at)) == pytest.approx(2 * math.pi / (natural * root), rel=allowed)
    decrement = np.log(peaks[0] / peaks[4]) / 4
    assert decrement == pytest.approx(2 * math.pi * ratio / root, rel=0.01, abs=2e-4)


def test_two_free_bodies_swing_at_their_reduced_mass():
    # f = √(k·(1/m₁ + 1/m₂))/2π, and the centre of mass does not move.
    physics = RigPhysics(FREE.but({"carriage_mass_kg": 25.0}))
    m1, m2 = physics.nut_mass_kg, 25.0
    centre = m1 * physics.nut_position_m + m2 * physics.coordinate
    physics.coordinate += 0.001
    physics.nut_position_m -= 0.001 * m2 / m1
    time, d = [], []
    for _ in range(2000):
        physics.advance(1e-3, 0.0, Winding.OPEN)
        time.append(physics.time_s)
        d.append(physics.deflection_m)
    at, _ = crossings_and_peaks(np.array(time), np.array(d))
    expected = math.sqrt(120e3 * (1 / m1 + 1 / m2)) / (2 * math.pi)
    assert 1 / np.mean(np.diff(at)) == pytest.approx(expected, rel=1e-3)
    # Without supply and friction; with open windings the back-EMF drives no current.
    assert m1 * physics.nut_position_m + m2 * physics.coordinate == pytest.approx(centre, rel=1e-9)


def test_current_follows_the_loop_and_the_winding():
    held = FREE.but(
        {
            "winding_inductance_H": 3e-4,
            "winding_resistance_ohm": 0.3,
            "supply_resistance_ohm": 0.0,
            "supply_V": 36.0,
            "current_loop_time_constant_s": 0.5e-3,
        }
    )
    small, large = RigPhysics(held), RigPhysics(held)
    for physics in (small, large):
        physics.jammed = True
        physics.rebuild()
    for k in range(1, 20):
        small.advance(1e-4, 5.0, Winding.DRIVEN)
        large.advance(1e-4, 1000.0, Winding.DRIVEN)
        t = k * 1e-4
        assert small.current_A == pytest.approx(5.0 * (1 - math.exp(-t / 0.5e-3)), rel=1e-9)
        # Voltage-limited: i = V/R·(1 − e^(−tR/L)).
        assert large.current_A == pytest.approx(120.0 * (1 - math.exp(-t * 1e3)), rel=1e-9)


@pytest.mark.parametrize("hand, way", [(1.0, 1), (1.0, -1), (-1.0, 1)])
def test_no_load_speed_is_the_supply_over_the_constant(hand, way):
    physics = RigPhysics(
        FREE.but(
            {
                "stroke_m": 20.0,
                "initial_output_m": 10.0,
                "supply_resistance_ohm": 0.0,
                "supply_V": 24.0,
                "spring_damping_N_s_m": 200.0,
                "screw_hand": hand,
            }
        )
    )
    for _ in range(4000):
        physics.advance(1e-3, way * 30.0, Winding.DRIVEN)
    assert physics.shaft_speed_rad_s == pytest.approx(way * 24.0 / 0.09, rel=1e-3)
    assert abs(physics.current_A) < 0.1


def test_torque_ripple_comes_six_times_an_electrical_turn():
    loose = FREE.but(
        {
            "spring_rate_push_N_m": 0.0,
            "spring_rate_pull_N_m": 0.0,
            "torque_ripple": 0.1,
            "pole_pairs": 4,
            "spring_solid_m": 0.05,
        }
    )
    gained = []
    for k in range(256):
        physics = RigPhysics(loose)
        physics.nut_position_m = 0.0275 + 0.01 * k / 256
        physics.advance(250e-6, 5.0, Winding.DRIVEN)
        gained.append(physics.nut_velocity_m_s)
    lines = np.abs(np.fft.rfft(np.array(gained) / np.mean(gained) - 1)) / 128
    assert np.argmax(lines) == 6 * 4
    assert lines[24] == pytest.approx(0.1, rel=1e-3)


def test_a_swinging_hand_moves_a_free_mass_as_newton_says():
    # From rest: x = F/m·(t/ω − sin(ωt)/ω²).
    physics = RigPhysics(
        FREE.but({"spring_rate_push_N_m": 0.0, "spring_rate_pull_N_m": 0.0, "spring_solid_m": 0.05})
    )
    physics.push(8.0, 4.0, 0.0)
    pulsation = 2 * math.pi * 4.0
    for _ in range(150):
        physics.advance(1e-3, 0.0, Winding.OPEN)
    t = physics.time_s
    expected = 8.0 / 5.0 * (t / pulsation - math.sin(pulsation * t) / pulsation**2)
    assert physics.coordinate - 0.0275 == pytest.approx(expected, rel=1e-4)


def test_a_weight_hung_on_a_moving_lever_takes_momentum_and_gives_none_back():
    physics = RigPhysics(RigParameters(initial_output_m=0.03))
    before = physics.output_inertia
    physics.coordinate_rate = 0.5
    physics.hang(5.0)
    assert physics.output_inertia == pytest.approx(before + 5.0 * 0.42**2)
    assert physics.coordinate_rate == pytest.approx(0.5 * before / physics.output_inertia)
    slower = physics.coordinate_rate
    physics.hang(0.0)
    assert physics.coordinate_rate == slower


def test_supply_sags_by_its_resistance():
    # V = (Vs + √(Vs² − 4·Rs·P))/2 for a constant power P.
    physics = RigPhysics(FREE.but({"supply_resistance_ohm": 0.5, "drive_idle_W": 200.0}))
    for _ in range(200):
        physics.advance(1e-3, 0.0, Winding.OPEN)
    assert physics.link_V == pytest.approx((36 + math.sqrt(36**2 - 4 * 0.5 * 200)) / 2, rel=1e-6)


def braked(takes: bool) -> RigPhysics:
    physics = RigPhysics(
        FREE.but(
            {
                "supply_takes_regeneration": takes,
                "drive_idle_W": 0.0,
                "stroke_m": 10.0,
                "spring_damping_N_s_m": 200.0,
            }
        )
    )
    physics.nut_velocity_m_s = physics.coordinate_rate = 0.3
    for _ in range(25):
        physics.advance(1e-3, -8.0, Winding.DRIVEN)
    return physics


def test_braking_energy_goes_back_to_the_supply_or_lifts_the_link():
    assert braked(True).link_V == pytest.approx(36.0, abs=1.0)
    lifted = braked(False)
    # ½·C·(V² − Vs²) = energy at the shaft minus the heat in the winding.
    gained = 0.5 * 0.002 * (lifted.link_V**2 - 36.0**2)
    assert lifted.link_V > 40.0
    heat = 0.3 * 8.0**2 * 0.025
    assert gained == pytest.approx(-lifted.motor_work_J - heat, rel=0.02)


def smooth(kind: str) -> RigParameters:
    return FREE.but(
        {
            "rig": kind,
            "initial_output_m": 0.02,
            "friction_viscous_N_m_s": 2e-3,
            "output_damping_N_s_m": 50.0,
            "spring_damping_N_s_m": 30.0,
            "pivot_friction_N_m": 0.0,
            "supply_V": 300.0,
            "initial_hung_mass_kg": 2.5,
        }
    )


@pytest.mark.parametrize("kind", ["lever_sector", "lever_pin"])
def test_smooth_motion_agrees_with_scipy(kind):
    p = smooth(kind)
    physics = RigPhysics(p)
    radius = p.screw_lead_m / (2 * math.pi)
    inertia = 0.6 * 0.2**2 + 2.8 * 0.42**2
    moment = 9.80665 * (0.6 * 0.2 + 2.8 * 0.42)
    nut_mass = 1.2e-4 / radius**2 + 0.5

    def current(t):
        return 4.5 + 2.0 * math.sin(20.0 * math.floor(t / 1e-3 + 0.5) * 1e-3)

    def rates(t, y, current_asked):
        xn, vn, q, w, i = y
        turned = math.sin(q) if kind == "lever_pin" else q
        arm = 0.06 * (math.cos(q) if kind == "lever_pin" else 1.0)
        x, v = 0.0275 + 0.06 * turned, arm * w
        force = 120e3 * (xn - x) + 30.0 * (vn - v)
        assert abs(xn - x) < 0.003
        return [
            vn,
            (0.09 * i / radius - force - 2e-3 / radius**2 * vn) / nut_mass,
            w,
            ((force - 50.0 * v) * arm - moment * math.cos(q)) / inertia,
            (current_asked - i) / 0.25e-3,
        ]

    y = [physics.nut_position_m, 0.0, physics.coordinate, 0.0, 0.0]
    for k in range(250):
        t = k * 1e-3
        solution = solve_ivp(
            rates, (t, t + 1e-3), y, args=(current(t),), rtol=1e-9, atol=1e-12, method="DOP853"
        )
        y = solution.y[:, -1]
        physics.advance(1e-3, current(t), Winding.DRIVEN)
    assert physics.nut_position_m == pytest.approx(y[0], abs=1e-6)
    assert physics.coordinate == pytest.approx(y[2], abs=1e-5)
    assert physics.nut_velocity_m_s == pytest.approx(y[1], abs=2e-5)
    assert physics.coordinate_rate == pytest.approx(y[3], abs=2e-4)
    assert abs(y[0] - 0.02) > 0.001  # the motion is large enough to compare


def test_hysteresis_loop_has_the_width_it_should():
    # Slow triangle about zero: the force at zero deflection is ± the constant part.
    physics = RigPhysics(
        FREE.but(
            {"spring_guide_friction_N": 6.0, "spring_hysteresis": 0.02, "carriage_mass_kg": 10.0}
        )
    )
    physics.jammed = physics.blocked = True
    physics.rebuild()
    seen = {}
    for direction, top in ((1, 0.002), (-1, -0.002), (1, 0.002)):
        while direction * (physics.nut_position_m - 0.0275) < direction * top:
            physics.nut_position_m += direction * 1e-6
            physics.advance(250e-6, 0.0, Winding.OPEN)
            for at in (0.0, 0.001):
                if abs(physics.deflection_m - at) < 5e-7:
                    seen[direction, at] = physics.spring_force_N
    assert seen[1, 0.0] - seen[-1, 0.0] == pytest.approx(2 * 6.0, abs=0.3)
    assert seen[1, 0.001] - seen[-1, 0.001] == pytest.approx(2 * (6.0 + 0.02 * 120), abs=0.3)


RIGS = st.sampled_from(
    [
        RigParameters(),
        RigParameters(rig="lever_pin", initial_output_m=0.02),
        RigParameters(rig="linear", backlash_m=0.0003),
        RigParameters(
            initial_output_m=0.03,
            spring_hysteresis=0.02,
            spring_guide_friction_N=2.0,
            supply_takes_regeneration=False,
            screw_hand=-1.0,
        ),
        RigParameters(
            rig="linear",
            linear_vertical=False,
            carriage_mass_kg=1.0,
            friction_coulomb_N_m=0.0,
            friction_breakaway_N_m=0.0,
            torque_ripple=0.05,
            spring_damping_N_s_m=0.0,
            output_damping_N_s_m=0.0,
        ),
    ]
)
MOVES = st.lists(
    st.tuples(
        st.floats(-30, 30),
        st.sampled_from(list(Winding)),
        st.integers(1, 120),
        st.none() | st.floats(-150, 150),
        st.none() | st.sampled_from([0.0, 2.5, 7.5]),
    ),
    min_size=1,
    max_size=12,
)


@settings(max_examples=80, deadline=None)
@given(RIGS, MOVES)
def test_energy_is_never_created(parameters, moves):
    physics = RigPhysics(parameters)
    stored, mechanical = physics.stored_energy_J(), physics.mechanical_energy_J()
    given_J = moved_J = 0.0  # changed by hanging weights: datum of energy, and momentum
    handled = abs(stored)
    for amperes, winding, milliseconds, push, mass in moves:
        if mass is not None:
            before = physics.mechanical_energy_J()
            physics.hang(mass)
            given_J += physics.mechanical_energy_J() - before
        if push is not None:
            physics.push(push, 0.0, 0.0)
        for _ in range(milliseconds):
            work = physics.motor_work_J, physics.hand_work_J
            physics.advance(1e-3, amperes, winding)
            moved_J += abs(physics.motor_work_J - work[0]) + abs(physics.hand_work_J - work[1])
        # Leapfrog conserves energy to (ω·h)²/8: 0.2 % of the energy in the stiffest contact.
        slack = 1e-3 + 0.002 * (handled + moved_J)
        gain = physics.mechanical_energy_J() - mechanical - given_J
        assert gain <= physics.motor_work_J + physics.hand_work_J + slack
        gain = physics.stored_energy_J() - stored - given_J
        assert gain <= physics.source_work_J + physics.hand_work_J + slack


def test_same_inputs_same_motion_bit_for_bit_and_nearly_so_in_other_steps():
    def moved(step_s: float) -> tuple[float, ...]:
        physics = RigPhysics(RigParameters(initial_hung_mass_kg=2.5))
        physics.push(20.0, 1.5, 0.0)
        for k in range(round(0.5 / step_s)):
            physics.advance(step_s, 6.0 if k * step_s < 0.25 else 2.0, Winding.DRIVEN)
        return physics.nut_position_m, physics.coordinate, physics.link_V, physics.current_A

    assert moved(1e-3) == moved(1e-3)
    # A step that is not a multiple of the substep is cut into equal, shorter substeps.
    assert moved(1.25e-3)[:2] == pytest.approx(moved(1e-3)[:2], abs=2e-5)


@pytest.mark.parametrize("factor", [1.0, 1.5, 2.0])
def test_motor_and_drive_warm_up_to_their_settled_rise(factor):
    physics = RigPhysics(FREE.but({"standstill_factor": factor}))
    physics.jammed = True
    physics.rebuild()
    tau, drive_tau = 60.0, 120.0
    for _ in range(300):
        physics.advance(0.1, 10.0, Winding.DRIVEN)
    # At standstill one phase carries the crest of its current.
    winding = factor * 0.6 * (1 - math.exp(-30 / tau))
    housing = 0.4 * (1 - math.exp(-30 / 900.0))
    assert physics.housing_rise_K == pytest.approx(80 * housing, rel=0.01)
    assert physics.motor_rise_K == pytest.approx(80 * (winding + housing), rel=0.01)
    assert physics.drive_rise_K == pytest.approx(30 * (1 - math.exp(-30 / drive_tau)), rel=0.01)


@pytest.mark.parametrize("height_m", [0.0, 0.005, 0.03])
def test_a_dropped_weight_presses_the_springs_by_the_textbook_force(height_m):
    """F = own + W + √(W² + k·m·v²), with v after a perfectly inelastic impact (from memory)."""
    own_kg, dropped_kg, stiffness, g = 6.0, 2.5, 2 * 60e3, 9.80665
    physics = RigPhysics(
        FREE.but({"linear_vertical": True, "carriage_mass_kg": own_kg, "spring_hysteresis": 0.0})
    )
    physics.jammed = True
    physics.rebuild()
    physics.drop(dropped_kg, math.sqrt(2 * g * height_m))
    physics.reset_peaks()
    for _ in range(100):
        physics.advance(5e-4, 0.0, Winding.OPEN)
    both_kg, weight_N = own_kg + dropped_kg, dropped_kg * g
    speed = dropped_kg / both_kg * math.sqrt(2 * g * height_m)
    peak_N = both_kg * g + math.sqrt(weight_N**2 + stiffness * both_kg * speed**2)
    assert physics.peak_spring_force_N == pytest.approx(peak_N, rel=0.005)


def test_a_weight_that_lands_on_a_lever_brings_its_angular_momentum():
    physics = RigPhysics(RigParameters(initial_output_m=0.0275))
    p, before = physics.parameters, physics.output_inertia
    physics.coordinate_rate = 0.1
    physics.drop(2.5, 0.4)
    after = before + 2.5 * p.load_arm_m**2
    assert physics.output_inertia == pytest.approx(after)
    falls = 2.5 * 0.4 * p.load_arm_m * math.cos(physics.coordinate)
    assert after * physics.coordinate_rate == pytest.approx(before * 0.1 - falls)
