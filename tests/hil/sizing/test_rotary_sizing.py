"""Sizing of a rotary joint: torsion springs, gears, figures in its units, a profile that runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from drivers.motion import ARC_RADIUS_M, FORCE, LENGTH, STIFFNESS, is_rotary, speak
from hil.analysis import measure
from hil.bench.lockstep import LockstepBench
from hil.procedures.lockstep_runner import LockstepRunner
from hil.profile import ProfileError, examine_profile, load_profile, motor_force
from hil.recorder.runs import load_run
from hil.recorder.writer import RunWriter
from hil.sequences import load_sequence, perform
from hil.sizing import (
    Combination,
    Parts,
    SizingError,
    choice_profile,
    force_over_frequency,
    force_over_speed,
    load_parts,
    load_requirements,
    profile_text,
    sensitivities,
    sequence_beside,
    sequence_text,
    size,
)
from hil.sizing.life import LifeRating
from hil.sizing.requirements import FOLDER, Phase, Requirements
from hil.sizing.sized import Sized, sized
from hil.sizing.spring import DENSITY_KG_M3
from hil.sizing.torsion_spring import TorsionCoil, bending_correction, curved_beam

INCH, POUND_INCH, PSI = 0.0254, 0.1129848, 6894.757
PARTS = load_parts()
REQUIRED = (FOLDER / "joint.yaml").read_text()


@pytest.fixture(scope="module")
def required() -> Requirements:
    return load_requirements("joint")


@pytest.fixture(autouse=True)
def linear_again() -> Iterator[None]:
    """A loaded profile sets the motion of the process; other tests expect a linear one."""
    yield
    speak("linear")


def chosen(required: Requirements, **changes: Any) -> Combination:
    whole = Combination(required, PARTS.motors[1], PARTS.gears[1], PARTS.torsion_springs[1])
    for part, values in changes.items():
        whole = replace(whole, **{part: getattr(whole, part).model_copy(update=values)})
    return whole


def missed(one: Sized) -> set[str]:
    return {figure.key for figure in one.missed}


# ------------------------------------------------------------------------ formulas


def test_a_torsion_spring_is_that_of_a_handbook() -> None:
    # Shigley's Mechanical Engineering Design, example of a torsion spring of music wire (0.072 in,
    # mean diameter 0.522 in, 4.657 active turns, E 28.5 Mpsi), from memory: 29.2 lbf·in a turn with
    # the divisor 10.8 that accounts for friction between turns; 64/2π without. K_i is 1.115.
    coil = TorsionCoil(0.072 * INCH, 0.522 * INCH, 4.657, 0.4 * INCH, 1.9e9, 28.5e6 * PSI)
    a_turn = coil.rate_N_m_rad * 2 * math.pi / POUND_INCH
    assert a_turn == pytest.approx(29.2 * 10.8 / (64 / (2 * math.pi)), rel=0.005)
    assert curved_beam(coil.index) == pytest.approx(1.115, abs=0.001)
    # The correction of EN 13906-3 is that of a curved beam within a few percent.
    assert bending_correction(coil.index) == pytest.approx(curved_beam(coil.index), rel=0.02)


def test_a_wound_spring_keeps_its_wire_and_closes_on_its_mandrel() -> None:
    coil = TorsionCoil(0.007, 0.044, 4.68, 0.033, 1.46e9)
    quarter = math.pi / 2
    wire = math.pi * 0.044 * 4.68
    assert math.pi * (coil.inner_m(quarter) + 0.007) * (4.68 + 0.25) == pytest.approx(wire)
    assert coil.inner_m(coil.solid_travel_m / ARC_RADIUS_M) == pytest.approx(0.033)
    assert coil.most_travel_m < coil.solid_travel_m
    # σ = 32·T/(π·d³): 15 N·m by hand.
    assert coil.stress_Pa(15.0 / ARC_RADIUS_M) == pytest.approx(445.4e6, rel=1e-3)


def test_a_wave_runs_the_wire_twice_in_a_period_of_the_coils() -> None:
    # The speed of the wave, from its stiffness and inertia for each metre of wire.
    d, mean, turns = 0.007, 0.044, 4.68
    coil = TorsionCoil(d, mean, turns, 0.033, 1.46e9)
    bending = coil.elastic_modulus_Pa * math.pi * d**4 / 64
    inertia = DENSITY_KG_M3 * math.pi * d**2 / 4 * mean**2 / 4
    length = math.pi * mean * turns
    assert coil.surge_Hz == pytest.approx(math.sqrt(bending / inertia) / (2 * length))


def test_a_gear_lives_as_rated_at_its_rating() -> None:
    rating = PARTS.gears[1].rating
    # 3000 rpm for 10 000 h are 1.8e9 turns; half the torque lives 2^(10/3) = 10.08 times as long.
    assert rating.turns == pytest.approx(1.8e9)
    assert rating.load_N * ARC_RADIUS_M == pytest.approx(34.0)
    longer = rating.life_turns(rating.load_N / 2) / rating.turns
    assert longer == pytest.approx(10.08, abs=0.01)
    # A tenth of the turns under ten times the load: (0.9 + 0.1·10^p)^(1/p) by hand for p = 10/3.
    mean = LifeRating(1.0, exponent=10 / 3).equivalent_load_N([(1.0, 90), (10.0, 10)])
    assert mean == pytest.approx((0.9 + 0.1 * 10 ** (10 / 3)) ** 0.3)


# ------------------------------------------------------------------------ figures


def test_figures_are_in_the_units_of_a_joint(required: Requirements) -> None:
    choice = chosen(required)
    one = sized(choice).with_loop()
    assert one.met, one.missed
    assert not is_rotary()  # nothing of it is left in the process
    units = {figure.unit for figure in one.figures}
    assert not units & {"N", "mm/s", "N/mm"}
    for word in ("Force", "force", "nut", "Nut", "screw", "Screw", "rod"):
        assert not any(word in f"{f.label} {f.note}".split() for f in one.figures), word
    # T = η·ratio·(kt·I − friction), J = J_rotor·ratio² + J_output, by hand for M2/G50/T150.
    assert one.figure("peak_force_N_m").value == pytest.approx(0.85 * 50 * (0.09 * 33 - 0.019))
    assert one.figure("reflected_mass_kg_m2").value == pytest.approx(1.2e-4 * 2500 + 0.008)
    assert one.figure("spring_rate_N_m_per_rad").value == pytest.approx(300, rel=0.01)
    # m·g·L + arm and pan: (9 + 0.2)·0.3 + 0.8·0.12 kg·m, 28 N·m.
    assert one.figure("held_weight_kg").unit == "kg"


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"transmission": {"ratio": 10.0}}, "peak_force_N_m"),
        ({"transmission": {"most_speed": 60.0}}, "speed_deg_s"),
        ({"transmission": {"rated_torque": 1.0}}, "gear_life_h"),
        ({"transmission": {"repeated_torque": 15.0}}, "repeated_force_N_m"),
        ({"transmission": {"momentary_torque": 25.0}}, "static_safety"),
        ({"transmission": {"input_inertia": 4e-4}}, "bandwidth_5_N_m_Hz"),
        ({"springs": {"tensile_strength": 200e6}}, "bending_stress_MPa"),
        ({"springs": {"stress_range": 50e6}}, "stress_range_MPa"),
        ({"springs": {"mandrel": 0.0365}}, "inner_diameter_mm"),
        ({"springs": {"active_coils": 40.0}}, "surge_Hz"),
        ({"springs": {"count": 2}}, "touch_stiffness_N_m_per_rad"),
    ],
)
def test_each_weak_part_of_a_joint_is_missed_by_name(
    required: Requirements, changes: dict[str, dict[str, float]], key: str
) -> None:
    assert key in missed(sized(chosen(required, **changes)))


def test_a_duty_that_is_too_hard_is_missed_by_name(required: Requirements) -> None:
    hot = (Phase.model_construct(duration=1.0, force=90.0 / ARC_RADIUS_M, speed=0.0),)
    assert "motor_heat" in missed(sized(chosen(required.model_copy(update={"duty": hot}))))


def test_gears_and_screws_do_not_mix(required: Requirements) -> None:
    found = size(required, PARTS)
    assert len(found) == 27 and found[0].met
    assert {one.choice.transmission.KIND for one in found} == {"gear"}
    without = Parts.model_construct(**(dict(PARTS) | {"gears": ()}))
    with pytest.raises(SizingError, match="no gears"):
        size(required, without)


def test_charts_and_sensitivities_are_those_of_a_joint(required: Requirements) -> None:
    choice = chosen(required)
    chart = force_over_speed(choice)
    assert (chart.x_label, chart.y_label) == ("Speed (°/s)", "Torque (N·m)")
    assert ("speed", 160.0, 12.0) in [(n, round(x, 6), round(y, 6)) for n, x, y in chart.points]
    chart = force_over_frequency(choice)
    [curve] = chart.curves
    for _, frequency, amplitude in chart.points:
        assert amplitude < min(y for x, y in zip(curve.x, curve.y, strict=True) if x <= frequency)
    found = {(s.part, s.property): dict(s.changes) for s in sensitivities(choice)}
    wire = found["springs", "wire_diameter"]
    assert wire["touch_stiffness_N_m_per_rad"] == pytest.approx(4, abs=0.01)  # E·d⁴/(64·D·n)
    assert found["gear", "rated_torque"]["gear_life_h"] == pytest.approx(10 / 3, abs=0.01)


# ------------------------------------------------------------------------ profile


def test_the_profile_of_a_joint_reads_back_and_its_first_session_runs(
    required: Requirements, tmp_path: Path
) -> None:
    choice = chosen(required)
    file = tmp_path / "sized.yaml"
    file.write_text(profile_text(choice))
    sequence_beside(file).write_text(sequence_text(choice))
    examined = examine_profile(file)
    assert [str(problem) for problem in examined.errors] == []
    profile = load_profile(file)
    assert profile.motion == "rotary"
    assert profile.actuator.reflected_mass == pytest.approx(choice.mass_kg, rel=1e-9)
    assert float(FORCE(profile.limits.force.limited)) == pytest.approx(30.0)
    assert float(LENGTH(profile.actuator.stroke)) == pytest.approx(120.0)
    springs = profile.actuator.springs
    assert float(STIFFNESS(springs.rate_per_set)) == pytest.approx(150.1, abs=0.1)
    most = choice.most_current_A
    assert motor_force(profile, most) == pytest.approx(choice.force_N(most), rel=1e-9)
    direct = choice_profile(choice)
    assert profile.limits.travel.upper == pytest.approx(direct.limits.travel.upper, rel=1e-9)
    sequence = load_sequence(sequence_beside(file))
    with RunWriter(tmp_path / "runs", "demo", {}) as writer:
        ended = LockstepRunner(LockstepBench(profile, 3), writer).run(perform(sequence, profile))
    assert ended.how == "finished", ended
    assert writer.path is not None
    found = measure(load_run(writer.path), sequence.figures)
    assert found.missing == []
    floating = next(figure for figure in found.figures if figure.name == "floating weight")
    assert floating.values["mean_N"] == pytest.approx(floating.values["setpoint_N"], rel=0.05)


# ------------------------------------------------------------------------ mistakes


@pytest.mark.parametrize(
    ("before", "after", "key", "part"),
    [
        ("force: 30 N*m ", "force: 30 N ", "force", "not a torque"),
        ("force: 30 N*m ", "force: 25 N*m ", "rig.weights[3]", "28.01 N·m at the joint"),
        ("stroke: 120 deg", "stroke: 120 mm", "stroke", "not an angle"),
        ("force: 20 N*m}", "force: 60 N*m}", "duty[3].force", "above the required torque of 30"),
        ("amplitude: 20 N*m", "amplitude: 200 N*m", "sines[1].amplitude", "200 N·m is above"),
    ],
)
def test_a_wrong_requirement_of_a_joint_is_one_line_in_its_units(
    before: str, after: str, key: str, part: str, tmp_path: Path
) -> None:
    assert before in REQUIRED
    file = tmp_path / "w.yaml"
    file.write_text(REQUIRED.replace(before, after, 1))
    with pytest.raises(ProfileError) as error:
        load_requirements(file)
    found = [problem for problem in error.value.problems if problem.key == key]
    assert found and part in str(found[0]), str(error.value)


@pytest.mark.parametrize(
    ("before", "after", "key", "part"),
    [
        ("name: G50", "name: G30", "gears[1].name", "name of gears[0] too"),
        ("repeated_torque: 60 N*m", "repeated_torque: 6 N*m", "gears[1].repeated_torque", "below"),
        ("momentary_torque: 95 N*m", "momentary_torque: 9 N*m", "gears[0].momentary_torque", "52"),
        ("rated_speed: 3000 rpm", "rated_speed: 9000 rpm", "gears[0].rated_speed", "5000 rpm"),
        ("mandrel: 33 mm", "mandrel: 40 mm", "torsion_springs[1].mandrel", "37 mm"),
        ("preload: 6 deg", "preload: 260 deg", "torsion_springs[0].preload", "leaves nothing"),
        ("preload: 6 deg", "preload: 6 mm", "torsion_springs[0].preload", "not an angle"),
    ],
)
def test_a_wrong_gear_or_torsion_spring_is_one_line_with_its_place(
    before: str, after: str, key: str, part: str, tmp_path: Path
) -> None:
    text = (FOLDER / "parts.yaml").read_text()
    assert before in text
    file = tmp_path / "p.yaml"
    file.write_text(text.replace(before, after, 1))
    with pytest.raises(ProfileError) as error:
        load_parts(file)
    found = [problem for problem in error.value.problems if problem.key == key]
    assert found and part in str(found[0]), str(error.value)
