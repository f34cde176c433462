"""The rig at rest and in steady motion, against closed forms."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import pytest

import drivers.simulated
from drivers.simulated.parameters import RigParameters
from drivers.simulated.physics import RigPhysics, Winding
from drivers.simulated.substep import Substep

PLAIN = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=20.0,
    stroke_m=0.055,
    initial_output_m=0.0275,
    friction_coulomb_N_m=0.0,
    friction_breakaway_N_m=0.0,
    friction_viscous_N_m_s=0.0,
    output_damping_N_s_m=1000.0,
    winding_resistance_per_K=0.0,
)
TURN = 2 * math.pi


def run(physics: RigPhysics, seconds: float, amperes: float = 0.0, winding=Winding.OPEN) -> None:
    for _ in range(round(seconds / 1e-3)):
        physics.advance(1e-3, amperes, winding)


@pytest.mark.parametrize(
    "force_N", [-900.0, -540.0, -361.0, -359.0, -60.0, 0.0, 120.0, 359.0, 361.0, 480.0, 800.0]
)
def test_static_deflection_across_the_preload_knee(force_N):
    # Two sets of rate k preloaded by p: 2k up to F = 2kp, one set alone beyond (sum of the
    # forces of two linear springs, one of them slack).
    k, p, solid, coil = 60e3, 0.003, 0.009, 5e6
    size = abs(force_N)
    expected = size / (2 * k) if size <= 2 * k * p else p + (size - 2 * k * p) / k
    if expected > solid:
        expected = solid + (size - 2 * k * p - k * (solid - p)) / (k + coil)
    physics = RigPhysics(PLAIN)
    physics.jammed = True
    physics.rebuild()
    physics.push(-force_N, 0.0, 0.0)  # a push against the rod compresses the springs
    run(physics, 3.0)
    assert physics.deflection_m == pytest.approx(math.copysign(expected, force_N), abs=2e-7)
    assert physics.spring_force_N == pytest.approx(force_N, abs=0.02)


def test_unequal_sets_balance_at_rest_and_each_goes_slack_at_its_own_knee():
    physics = RigPhysics(PLAIN.but({"spring_rate_push_N_m": 40e3, "spring_rate_pull_N_m": 80e3}))
    # Compressions share 2·3 mm so that 40·c1 = 80·c2: 4 mm and 2 mm.
    assert physics.spring_law(0.0) == pytest.approx(0.0, abs=1e-9)
    assert physics.spring_law(0.002) == pytest.approx(120e3 * 0.002)
    assert physics.spring_law(0.003) == pytest.approx(120e3 * 0.002 + 40e3 * 0.001)
    assert physics.spring_law(-0.004) == pytest.approx(-120e3 * 0.004)
    assert physics.spring_law(-0.005) == pytest.approx(-120e3 * 0.004 - 80e3 * 0.001)


def test_without_preload_one_slope_and_with_a_gap_a_dead_zone():
    slack = RigPhysics(PLAIN.but({"spring_preload_m": -0.0005}))
    assert slack.spring_law(0.0004) == 0.0
    assert slack.spring_law(0.0015) == pytest.approx(60e3 * 0.001)
    assert slack.spring_law(-0.0015) == pytest.approx(-60e3 * 0.001)
    touching = RigPhysics(PLAIN.but({"spring_preload_m": 0.0}))
    assert touching.spring_law(0.0015) == pytest.approx(60e3 * 0.0015)


def test_a_missing_set_pushes_one_way_only():
    physics = RigPhysics(PLAIN.but({"spring_rate_pull_N_m": 0.0}))
    assert physics.spring_law(0.002) == pytest.approx(60e3 * 0.002)
    assert physics.spring_law(-0.002) == 0.0


@pytest.mark.parametrize("hand", [1.0, -1.0])
@pytest.mark.parametrize("friction_N_m", [0.0, 0.04])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_stall_force_from_torque_both_ways(hand, friction_N_m, way):
    # Screw: F = 2π·η·T/lead driving (ISO 3408-1 practice); back-driven, T = F·lead·η'/2π. Friction
    # reduces the force on the way up and raises it on the way down.
    lead, forward, backward, kt = 0.01, 0.85, 0.7, 0.09
    physics = RigPhysics(
        PLAIN.but(
            {
                "screw_hand": hand,
                "screw_lead_m": lead,
                "screw_efficiency_forward": forward,
                "screw_efficiency_backward": backward,
                "friction_coulomb_N_m": friction_N_m,
                "friction_breakaway_N_m": friction_N_m,
                "friction_viscous_N_m_s": 0.01,
                "torque_constant_N_m_A": kt,
            }
        )
    )
    physics.blocked = True
    physics.rebuild()
    top, middle = 0.9, 0.35
    turn = hand * way / kt
    for k in range(3000):
        physics.advance(1e-3, turn * top * (k + 1) / 3000, Winding.DRIVEN)
    run(physics, 1.0, turn * top, Winding.DRIVEN)  # lets the viscous drag decay
    assert way * physics.spring_force_N == pytest.approx(
        TURN * forward * (top - friction_N_m) / lead, rel=0.001
    )
    for k in range(3000):
        torque = top + (middle - top) * (k + 1) / 3000
        physics.advance(1e-3, turn * torque, Winding.DRIVEN)
    run(physics, 1.0, turn * middle, Winding.DRIVEN)
    assert way * physics.spring_force_N == pytest.approx(
        TURN * (middle + friction_N_m) / (lead * backward), rel=0.001
    )


@pytest.mark.parametrize("kind", ["lever_sector", "lever_pin"])
@pytest.mark.parametrize("position_m", [0.005, 0.015, 0.0275, 0.045, 0.054])
@pytest.mark.parametrize("mass_kg", [0.0, 2.5, 7.5])
def test_lever_equilibrium_with_its_cosine(kind, position_m, mass_kg):
    physics = RigPhysics(
        RigParameters(
            rig=kind,
            initial_output_m=position_m,
            initial_hung_mass_kg=mass_kg,
            pivot_friction_N_m=0.0,
            output_damping_N_s_m=2000.0,
        )
    )
    physics.jammed = True
    physics.rebuild()
    run(physics, 3.0)
    x, p = physics.output_position_m, physics.parameters
    moment = 9.80665 * (0.6 * 0.2 + (0.3 + mass_kg) * 0.42)
    angle = (x - 0.0275) / 0.06
    # Virtual work: F·dx = M·cos θ·dθ. Sector: dx = a·dθ; pinned rod: dx = a·cos θ·dθ.
    expected = moment * math.cos(angle) / 0.06 if kind == "lever_sector" else moment / 0.06
    assert p.load_arm_m == 0.42
    assert physics.spring_force_N == pytest.approx(expected, rel=2e-4)
    assert x == pytest.approx(position_m, abs=2e-5)


def test_at_rest_on_the_lower_end_with_slack_springs():
    physics = RigPhysics(RigParameters(off_state="shorted", initial_hung_mass_kg=5.0))
    weight = physics.load_N(0.0)
    before = physics.output_position_m
    run(physics, 1.0)
    assert physics.output_position_m == pytest.approx(-weight / 5e6, abs=1e-6)
    assert before == pytest.approx(physics.output_position_m, abs=1e-6)
    assert abs(physics.spring_force_N) < 0.01 * weight


@pytest.mark.parametrize("amperes, stop_m, sign", [(10.0, 0.055, 1), (-10.0, 0.0, -1)])
def test_end_stops_take_the_motor_force(amperes, stop_m, sign):
    physics = RigPhysics(PLAIN)
    run(physics, 3.0, amperes, Winding.DRIVEN)
    into = sign * (physics.output_position_m - stop_m)
    assert into == pytest.approx(abs(physics.spring_force_N) / 5e6, rel=1e-3)
    assert physics.output_velocity_m_s == pytest.approx(0.0, abs=1e-6)


def test_an_end_stop_gives_back_less_speed_than_it_took():
    physics = RigPhysics(
        PLAIN.but(
            {
                "spring_rate_push_N_m": 1.0,
                "spring_rate_pull_N_m": 1.0,
                "spring_damping_N_s_m": 0.0,
                "output_damping_N_s_m": 0.0,
                "initial_output_m": 0.054,
                "spring_solid_m": 0.05,
            }
        )
    )
    physics.coordinate_rate = 0.2
    fastest_back = 0.0
    for _ in range(30):
        physics.advance(1e-3, 0.0, Winding.OPEN)
        fastest_back = min(fastest_back, physics.coordinate_rate)
    assert -0.2 < fastest_back < -0.02


@pytest.mark.parametrize("backward, sinks", [(0.8, True), (-0.05, False)])
def test_a_hung_weight_back_drives_unless_the_screw_locks_itself(backward, sinks):
    physics = RigPhysics(
        RigParameters(
            screw_efficiency_backward=backward, initial_output_m=0.03, initial_hung_mass_kg=5.0
        )
    )
    run(physics, 3.0)
    at_end = physics.output_position_m < 0.001
    assert at_end is sinks
    if not sinks:
        assert physics.nut_velocity_m_s == 0.0


@pytest.mark.parametrize("resistance_ohm", [0.1, 0.3, 1.0])
def test_shorted_windings_let_a_weight_down_at_the_terminal_speed(resistance_ohm):
    # Power balance at the shaft: F·r·η' = (Kt²/R + b)·ω + Tc, r = lead/2π.
    mass, kt, viscous, coulomb, backward = 30.0, 0.09, 1e-4, 0.02, 0.8
    physics = RigPhysics(
        RigParameters(
            rig="linear",
            carriage_mass_kg=mass,
            stroke_m=3.0,
            initial_output_m=2.9,
            off_state="shorted",
            winding_resistance_ohm=resistance_ohm,
            winding_resistance_per_K=0.0,
            torque_constant_N_m_A=kt,
            friction_viscous_N_m_s=viscous,
            friction_coulomb_N_m=coulomb,
            friction_breakaway_N_m=coulomb,
            screw_efficiency_backward=backward,
            output_damping_N_s_m=0.0,
        )
    )
    run(physics, 1.0, winding=Winding.SHORTED)
    start = physics.output_position_m
    run(physics, 2.0, winding=Winding.SHORTED)
    speed = 0.5 * (start - physics.output_position_m)
    radius = 0.01 / TURN
    torque = mass * 9.80665 * radius * backward - coulomb
    expected = torque / (kt**2 / resistance_ohm + viscous) * radius
    assert speed == pytest.approx(expected, rel=2e-3)


def test_stiction_holds_exactly_below_breakaway_and_lets_go_above():
    base = PLAIN.but(
        {"friction_coulomb_N_m": 0.02, "friction_breakaway_N_m": 0.03, "output_damping_N_s_m": 0.0}
    )
    holds, goes = RigPhysics(base), RigPhysics(base)
    start = holds.nut_position_m
    run(holds, 5.0, 0.0299 / 0.09, Winding.DRIVEN)
    assert holds.nut_position_m == start
    assert holds.nut_velocity_m_s == 0.0
    run(goes, 1.0, 0.0301 / 0.09, Winding.DRIVEN)
    assert goes.nut_position_m > start + 1e-4


def test_a_slowed_screw_stops_for_good_without_chatter():
    physics = RigPhysics(PLAIN.but({"friction_coulomb_N_m": 0.03, "friction_breakaway_N_m": 0.04}))
    # Momentum 48 kg · 0.1 mm/s is below the friction impulse of one substep, 25 N · 250 µs.
    physics.nut_velocity_m_s = 1e-4
    physics.advance(250e-6, 0.0, Winding.OPEN)
    assert physics.nut_velocity_m_s == 0.0
    physics.nut_velocity_m_s = 0.05
    run(physics, 0.4)
    rest = physics.nut_position_m
    for _ in range(1000):
        physics.advance(1e-3, 0.0, Winding.OPEN)
        assert physics.nut_velocity_m_s == 0.0
    assert physics.nut_position_m == rest


def test_a_tight_spot_needs_its_extra_torque():
    base = PLAIN.but(
        {"tight_spot_position_m": 0.0275, "tight_spot_width_m": 0.004, "tight_spot_torque_N_m": 0.1}
    )
    stuck, free = RigPhysics(base), RigPhysics(base)
    run(stuck, 1.0, 0.09 / 0.09, Winding.DRIVEN)
    run(free, 1.0, 0.11 / 0.09, Winding.DRIVEN)
    assert abs(stuck.nut_position_m - 0.0275) < 0.0002
    assert free.nut_position_m > 0.03


def test_backlash_is_lost_motion_before_any_force():
    physics = RigPhysics(PLAIN.but({"backlash_m": 0.001}))
    physics.blocked = True
    physics.rebuild()
    physics.nut_position_m = physics.output_position_m + 0.0005
    assert physics.deflection_m == pytest.approx(0.0, abs=1e-15)
    physics.nut_position_m += 0.001
    assert physics.deflection_m == pytest.approx(0.001)
    physics.nut_position_m -= 0.0025
    assert physics.deflection_m == pytest.approx(-0.0005)


@pytest.mark.parametrize("force_N", [60.0, -60.0])
def test_a_pushed_output_gives_by_half_the_backlash_and_the_spring(force_N):
    physics = RigPhysics(PLAIN.but({"backlash_m": 0.001}))
    physics.jammed = True
    physics.rebuild()
    physics.push(force_N, 0.0, 0.0)
    run(physics, 3.0)
    expected = 0.0275 + math.copysign(0.0005, force_N) + force_N / 120e3
    assert physics.output_position_m == pytest.approx(expected, abs=1e-7)


def test_a_hand_on_the_lever_acts_at_the_load_arm():
    physics = RigPhysics(
        RigParameters(initial_output_m=0.0275, pivot_friction_N_m=0.0, output_damping_N_s_m=2000.0)
    )
    physics.jammed = True
    physics.rebuild()
    run(physics, 2.0)
    before = physics.spring_force_N
    physics.push(-20.0, 0.0, 0.0)
    run(physics, 3.0)
    assert physics.spring_force_N - before == pytest.approx(20.0 * 0.42 / 0.06, rel=1e-3)


def test_the_constants_of_a_substep_are_taken_by_their_names() -> None:
    source = Path(drivers.simulated.__file__).with_name("physics.py").read_text()
    taken = next(
        node.targets[0]
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Assign) and ast.unparse(node.value) == "self._constants"
    )
    assert isinstance(taken, ast.Tuple)
    assert tuple(ast.unparse(name) for name in taken.elts) == Substep._fields
