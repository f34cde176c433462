"""Formulas of sizing against worked examples; each names its source."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.sizing.force_band import ForceBand, natural_Hz
from hil.sizing.life import LifeRating
from hil.sizing.motor import (
    HeatModel,
    Supply,
    Winding,
    rms,
    sagged_V,
    settled_rise_K,
    warm_resistance_ohm,
)
from hil.sizing.screw import (
    BUCKLING_SHARE,
    CRITICAL_SPEED_SHARE,
    ENDS,
    buckling_N,
    critical_rad_s,
    holding_torque_N_m,
    reflected_mass_kg,
    shaft_inertia_kg_m2,
    shaft_rad_s,
    torque_N_m,
)
from hil.sizing.spring import Coil, OpposedSets, correction, wahl

INCH, POUND = 0.0254, 4.4482216

# ------------------------------------------------------------------------ screw


def test_a_lead_of_4_mm_at_170_mm_s_turns_at_2550_rpm() -> None:
    # Common practice, no source.
    rpm = shaft_rad_s(0.170, 0.004) * 60 / (2 * math.pi)
    assert rpm == pytest.approx(2550)


def test_6_N_m_on_that_lead_are_far_from_their_limit_at_3_kN() -> None:
    # Common practice, no source.
    assert torque_N_m(3000, 0.004, 0.9) == pytest.approx(2.12, abs=0.01)
    assert torque_N_m(3000, 0.004, 0.9) < 0.4 * 6


def test_170_mm_s_at_3_kN_are_half_a_kilowatt() -> None:
    # Common practice, no source. Without friction T·ω equals F·v.
    power = torque_N_m(3000, 0.004, 1.0) * shaft_rad_s(0.170, 0.004)
    assert power == pytest.approx(510)


@pytest.mark.parametrize(
    ("ends", "factor"),
    [
        ("fixed_free", 3.4),
        ("supported_supported", 9.7),
        ("fixed_supported", 15.1),
        ("fixed_fixed", 21.9),
    ],
)
def test_critical_speed_is_the_catalogues(ends: str, factor: float) -> None:
    # n = f·d/L²·10⁷ rpm with d and L in mm, factor 0.8 included; common in screw catalogues, from
    # memory.
    d, length = 12.0, 800.0
    rpm = critical_rad_s(d / 1e3, length / 1e3, ENDS[ends]) * 60 / (2 * math.pi)
    assert CRITICAL_SPEED_SHARE * rpm == pytest.approx(factor * d / length**2 * 1e7, rel=0.015)


@pytest.mark.parametrize(
    ("ends", "factor"),
    [
        ("fixed_free", 1.3),
        ("supported_supported", 5.1),
        ("fixed_supported", 10.2),
        ("fixed_fixed", 20.3),
    ],
)
def test_buckling_load_is_the_catalogues(ends: str, factor: float) -> None:
    # F = m·d⁴/L²·10⁴ N with d and L in mm, factor 0.5 included; common in screw catalogues, from
    # memory.
    d, length = 12.0, 800.0
    load = BUCKLING_SHARE * buckling_N(d / 1e3, length / 1e3, ENDS[ends])
    assert load == pytest.approx(factor * d**4 / length**2 * 1e4, rel=0.05)


def test_life_at_the_rating_is_a_million_turns() -> None:
    # Definition of the dynamic rating, ISO 3408-5; at half the load the life is eight times as
    # long.
    assert LifeRating(10e3).life_turns(10e3) == 1e6
    assert LifeRating(10e3).life_turns(5e3) == 8e6
    assert math.isinf(LifeRating(10e3).life_turns(0.0))


def test_mean_load_weighs_turns_by_the_cube() -> None:
    # ISO 3408-5. A tenth of the turns at ten times the load: (0.9 + 100)^(1/3), by hand.
    assert LifeRating(1.0).equivalent_load_N([(100, 90), (-1000, 10)]) == pytest.approx(
        465.55, abs=0.05
    )
    assert LifeRating(1.0).equivalent_load_N([(500, 0)]) == 0.0


def test_mass_at_the_nut_by_hand() -> None:
    # 1.2e-4 kg·m² at a lead of 10 mm: (2π/0.01)² = 394784.
    assert reflected_mass_kg(1.2e-4, 0.01, 0.4) == pytest.approx(47.77, abs=0.01)
    # A steel shaft of 12 mm diameter, 100 mm long: 7850·π·0.012⁴·0.1/32.
    assert shaft_inertia_kg_m2(0.012, 0.1) == pytest.approx(1.598e-6, rel=1e-3)


@given(st.floats(1, 1e5), st.floats(1e-3, 0.1), st.floats(0.1, 1.0))
def test_back_driving_asks_less_than_pushing(force: float, lead: float, eta: float) -> None:
    assert holding_torque_N_m(force, lead, eta) <= torque_N_m(force, lead, eta) * (1 + 1e-12)


# ------------------------------------------------------------------------ springs

# Shigley's Mechanical Engineering Design, example 10-1 (music wire, 0.037 in), from memory.
MUSIC_WIRE = Coil(
    0.037 * INCH, 0.400 * INCH, 10.5, 1.2 * INCH, ground=False, shear_modulus_Pa=11.85e6 * 6894.757
)


def test_rate_and_stress_of_the_handbooks_spring() -> None:
    assert MUSIC_WIRE.rate_N_m / (POUND / INCH) == pytest.approx(4.13, abs=0.01)
    assert correction(MUSIC_WIRE.index) == pytest.approx(1.124, abs=0.001)
    # At 6.46 lbf the stress is the torsional yield strength of 146 kpsi.
    assert MUSIC_WIRE.corrected_stress_Pa(6.46 * POUND) == pytest.approx(146e3 * 6894.757, rel=2e-3)


@pytest.mark.parametrize(("index", "factor"), [(4, 1.404), (6, 1.253), (8, 1.184), (10, 1.145)])
def test_wahls_factor_is_the_tables(index: float, factor: float) -> None:
    # Table of any handbook of springs, from memory; the factor of EN 13906-1 is within 2 % of it.
    assert wahl(index) == pytest.approx(factor, abs=0.001)
    assert correction(index) == pytest.approx(factor, rel=0.02)


def test_a_spring_by_hand() -> None:
    # d = 4, D = 24, n = 5, L0 = 52 mm: R = 81500·4⁴/(8·24³·5), in N/mm.
    coil = Coil(0.004, 0.024, 5, 0.052)
    assert coil.rate_N_m / 1e3 == pytest.approx(37.73, abs=0.01)
    assert coil.solid_m * 1e3 == pytest.approx(28.0)
    assert coil.gaps_m * 1e3 == pytest.approx(5 * (0.0015 * 24**2 / 4 + 0.4))
    assert coil.stress_Pa(500) / 1e6 == pytest.approx(8 * 24 * 500 / (math.pi * 64), rel=1e-9)
    assert Coil(0.004, 0.024, 5, 0.052, ground=False).solid_m * 1e3 == pytest.approx(34.0)


def test_surge_is_half_the_root_of_rate_over_wire_mass() -> None:
    # A rod of rate k and mass m held at both ends: f = ½·√(k/m); any handbook of vibration.
    coil = Coil(0.004, 0.024, 5, 0.052)
    mass = 7850 * math.pi / 4 * 0.004**2 * math.pi * 0.024 * 5
    assert coil.surge_Hz == pytest.approx(0.5 * math.sqrt(coil.rate_N_m / mass))


def test_a_short_spring_does_not_buckle() -> None:
    # Steel between hinged plates does not buckle up to L0 = 2.58·D; EN 13906-1, from memory.
    assert math.isinf(Coil(0.002, 0.010, 8, 0.0257).buckling_travel_m(1.0))
    assert Coil(0.002, 0.010, 8, 0.0260).buckling_travel_m(1.0) < 0.022
    assert math.isinf(Coil(0.002, 0.010, 8, 0.0514).buckling_travel_m(0.5))


def test_opposed_sets_are_the_footplates() -> None:
    # 60 N/mm per set and 3 mm of preload: 120 N/mm up to 360 N, then 60 N/mm.
    coil = Coil(0.004, 0.024, 5, 0.052, shear_modulus_Pa=60e3 / 37.73e3 * 81.5e9)
    sets = OpposedSets(coil, 1, 0.003)
    assert sets.inner_N_m == pytest.approx(120e3, rel=1e-3)
    assert sets.knee_N == pytest.approx(360, rel=1e-3)
    assert sets.deflection_m(480) == pytest.approx(0.005, rel=1e-3)
    assert sets.coil_force_N(480) == pytest.approx(480, rel=1e-3)  # the other set is slack
    assert sets.coil_force_N(120) == pytest.approx(240, rel=1e-3)  # half, plus the preload


@given(st.floats(0, 5e3), st.floats(0, 0.01), st.integers(1, 6))
def test_deflection_and_force_undo_each_other(force: float, preload: float, count: int) -> None:
    sets = OpposedSets(Coil(0.004, 0.024, 5, 0.052), count, preload)
    assert sets.force_N(sets.deflection_m(force)) == pytest.approx(force, rel=1e-9, abs=1e-9)


# ------------------------------------------------------------------------ motor and supply


def test_a_quarter_of_the_time_permits_twice_the_current() -> None:
    # IEC 60034-1 duty S3 with short cycles: I·√ED; common practice, no source.
    assert rms([(1.0, 20.0), (3.0, 0.0)]) == pytest.approx(10.0)
    model = HeatModel(10.0, 60.0, 900.0, 0.4)
    assert model.warmest([(0.01, 20.0, False), (0.03, 0.0, False)]) == pytest.approx(1, abs=1e-3)


def test_heat_settles_at_the_square_of_the_share() -> None:
    model = HeatModel(10.0, 60.0, 900.0, 0.4)
    assert model.warmest([(1e5, 5.0, False)]) == pytest.approx(0.25)
    # At standstill the winding's own rise doubles, the housing's does not.
    assert model.warmest([(1e5, 5.0, True)]) == pytest.approx(0.25 * (0.6 * 2 + 0.4))
    assert model.warmest([]) == 0.0


@given(
    st.lists(
        st.tuples(st.floats(0.1, 100), st.floats(0, 30), st.booleans()), min_size=1, max_size=5
    )
)
def test_heat_lies_between_mean_and_peak(duty: list[tuple[float, float, bool]]) -> None:
    model = HeatModel(10.0, 45.0, 900.0, 0.4)
    worst = model.warmest(duty)
    mean = rms([(t, current) for t, current, _ in duty]) ** 2 / 100
    most = max(2 * (current / 10) ** 2 for _, current, _ in duty)
    assert mean * (1 - 1e-9) - 1e-12 <= worst <= most * (1 + 1e-9) + 1e-12


def test_a_supply_sags_by_its_own_current() -> None:
    # 36 V behind 0.1 ohm at 320 W: 35 V at 9.14 A, a drop of 0.914 V.
    loaded = sagged_V(36.0, 0.1, 320.0)
    assert loaded == pytest.approx(36.0 - 0.1 * 320.0 / loaded)
    assert math.isnan(sagged_V(36.0, 1.0, 325.0))  # V²/4R = 324 W is the maximum
    assert sagged_V(36.0, 0.1, -100.0) > 36.0


def test_speed_at_a_torque_by_hand() -> None:
    # kt 0.1, 0.5 ohm, 10 A from 24 V behind 0.1 ohm: (24 − 1 − 5)/0.1 = 180 rad/s.
    supply, winding = Supply(24.0, 0.1, 1.0), Winding(0.1, 0.5)
    assert supply.most_shaft_rad_s(winding, 1.0, 0.0) == pytest.approx(180.0)
    assert supply.most_current_A(winding, 180.0) == pytest.approx(10.0)
    assert supply.most_shaft_rad_s(Winding(0.1, 5.0), 1.0, 0.0) == 0.0
    assert supply.most_current_A(winding, 300.0) == 0.0
    assert winding.power_W(10.0, 180.0) == pytest.approx(230.0)


@given(st.floats(0, 3), st.floats(0, 1e-3))
def test_speed_and_current_of_a_supply_undo_each_other(torque: float, viscous: float) -> None:
    supply, winding = Supply(36.0, 0.05, 0.95), Winding(0.09, 0.15)
    speed = supply.most_shaft_rad_s(winding, torque, viscous)
    assert 0.09 * supply.most_current_A(winding, speed) == pytest.approx(torque + viscous * speed)


def test_a_warm_winding_loses_more_until_there_is_no_balance() -> None:
    assert settled_rise_K(80.0, 1.0) == pytest.approx(80.0)
    assert settled_rise_K(80.0, 0.0) == 0.0
    assert math.isinf(settled_rise_K(80.0, 5.0))
    assert warm_resistance_ohm(1.0, 80.0) == pytest.approx(1.312)


# ------------------------------------------------------------------------ force over frequency


def band(**changes: float) -> ForceBand:
    values = {
        "rate_N_m": 120e3,
        "mass_kg": 47.8,
        "viscous_N_s_m": 0.0,
        "motor_N": 1000.0,
        "stall_N": 1e9,
        "free_m_s": 1e9,
        "fastest_m_s": 1e9,
        "spring_N": 1e9,
    }
    return ForceBand(**(values | changes))


def test_natural_frequency_by_hand() -> None:
    assert natural_Hz(120e3, 47.8) == pytest.approx(7.974, abs=0.002)


def test_beyond_resonance_force_falls_with_the_square_of_frequency() -> None:
    far = 20 * natural_Hz(120e3, 47.8)
    assert band().most_N(far)[0] == pytest.approx(1000 / 399, rel=1e-6)
    assert band().most_N(1e-3)[0] == pytest.approx(1000, rel=1e-6)
    assert band().most_N(far)[1] == "motor force"


def test_each_bound_is_named() -> None:
    assert band(fastest_m_s=0.1).bandwidth_Hz(500)[1] == "speed"
    # 0.1 m/s at 500 N on 120 N/mm: 0.1·120e3/500/2π.
    assert band(fastest_m_s=0.1).bandwidth_Hz(500)[0] == pytest.approx(3.8197, abs=1e-3)
    assert band(free_m_s=0.1).bandwidth_Hz(500)[1] == "supply voltage"
    assert band(spring_N=400).bandwidth_Hz(500) == (0.0, "spring travel")
    assert band().bandwidth_Hz(1e-9)[0] == 500.0


@given(st.floats(1, 900), st.floats(0.01, 1), st.floats(100, 1e5), st.floats(0.05, 2))
def test_a_larger_force_is_never_possible_further(
    amplitude: float, fastest: float, stall: float, free: float
) -> None:
    found = band(fastest_m_s=fastest, stall_N=stall, free_m_s=free, viscous_N_s_m=50.0)
    assert found.bandwidth_Hz(amplitude)[0] >= found.bandwidth_Hz(1.5 * amplitude)[0] - 1e-9
