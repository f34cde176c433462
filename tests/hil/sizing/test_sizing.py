"""Requirements and parts become figures, limits and a profile; a mistake is one line with place."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hil.profile import ProfileError, examine_profile, motor_force, rig_force
from hil.profile.schema import Lever
from hil.sizing import (
    Combination,
    SizingError,
    choice_profile,
    force_over_frequency,
    force_over_speed,
    load_parts,
    load_requirements,
    named,
    profile_text,
    sensitivities,
    size,
)
from hil.sizing.requirements import FOLDER, Phase, Requirements, Sine
from hil.sizing.sized import Sized, sized

REQUIRED = (FOLDER / "footplate.yaml").read_text()
PARTS = (FOLDER / "parts.yaml").read_text()
GIVEN = load_parts()


@pytest.fixture(scope="module")
def required() -> Requirements:
    return load_requirements("footplate")


def chosen(required: Requirements, motor: int = 1, screw: int = 2, springs: int = 1) -> Combination:
    return Combination(required, GIVEN.motors[motor], GIVEN.screws[screw], GIVEN.springs[springs])


def but(required: Requirements, **changes: Any) -> Requirements:
    return required.model_copy(update=changes)


def missed(one: Sized) -> set[str]:
    return {figure.key for figure in one.missed}


def test_8_kg_on_a_lever_of_1_to_10_ask_for_0_8_kN() -> None:
    # Common practice, no source.
    lever = Lever.model_validate(
        {"kind": "lever", "rod_arm": 0.05, "load_arm": 0.5, "level_position": 0.03},
        context={"si": True},
    )
    assert rig_force(lever, 8.0) == pytest.approx(800, rel=0.02)


def test_the_best_combination_meets_all_and_is_the_footplates(required: Requirements) -> None:
    found = size(required, GIVEN)
    assert len(found) == 27
    assert found[0].met and found[0].designed
    assert [len(one.missed) for one in found] == sorted(len(one.missed) for one in found)
    assert not missed(sized(chosen(required)))  # the parts of the shipped rig


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"force": 2000.0}, "peak_force_N"),
        ({"force": 2000.0}, "deflection_mm"),
        ({"speed": 0.9}, "speed_mm_s"),
        ({"stroke": 0.2}, "nut_travel_mm"),
        ({"force_resolution": 0.1}, "force_resolution_N"),
        ({"touch_stiffness": 130e3}, "touch_stiffness_N_per_mm"),
        ({"life": 1e12}, "screw_life_h"),
        ({"sines": (Sine.model_construct(amplitude=400.0, frequency=30.0),)}, "bandwidth_400_N_Hz"),
        ({"sines": (Sine.model_construct(amplitude=1.0, frequency=40.0),)}, "surge_Hz"),
        ({"drive_current": 8.0}, "peak_force_N"),
        ({"duty": (Phase.model_construct(duration=1.0, force=900.0, speed=0.0),)}, "motor_heat"),
        (
            {"duty": (Phase.model_construct(duration=1.0, force=500.0, speed=0.6),)},
            "voltage_reserve",
        ),
    ],
)
def test_each_requirement_that_is_too_much_is_missed_by_name(
    required: Requirements, changes: dict[str, Any], key: str
) -> None:
    assert key in missed(sized(chosen(but(required, **changes))))


@pytest.mark.parametrize(
    ("part", "changes", "key"),
    [
        ("motor", {"continuous_current": 2.0}, "rms_current_A"),
        ("motor", {"peak_current": 3.0}, "peak_current_A"),
        ("transmission", {"root_diameter": 0.002}, "buckling_N"),
        ("transmission", {"free_length": 3.0}, "critical_speed_mm_s"),
        ("transmission", {"static_rating": 900.0}, "static_safety"),
        ("springs", {"tensile_strength": 500e6}, "solid_stress_MPa"),
        ("springs", {"stress_range": 20e6}, "stress_range_MPa"),
        ("springs", {"free_length": 1.0}, "spring_buckling_mm"),
    ],
)
def test_each_weak_part_is_missed_by_name(
    required: Requirements, part: str, changes: dict[str, float], key: str
) -> None:
    whole = chosen(required)
    weak = getattr(whole, part).model_copy(update=changes)
    assert key in missed(sized(replace(whole, **{part: weak})))


def test_a_supply_that_cannot_give_the_power_is_reported(required: Requirements) -> None:
    weak = required.supply.model_copy(update={"resistance": 20.0})
    one = sized(chosen(but(required, supply=weak)))
    assert "voltage_reserve" in missed(one)
    assert math.isnan(one.figure("lowest_supply_V").value)


# ------------------------------------------------------------------------ profile


@pytest.mark.parametrize("place", [(0, 0, 1), (1, 2, 1), (2, 1, 0)])
def test_the_profile_reads_back_as_the_choice(
    required: Requirements, place: tuple[int, int, int], tmp_path: Path
) -> None:
    # A soft set cannot give 580 N within the sensor's range: require less.
    asked = required if place[2] else but(required, force=200.0, rig=_without_weights(required))
    choice = chosen(asked, *place)
    file = tmp_path / "sized.yaml"
    file.write_text(profile_text(choice))
    examined = examine_profile(file)
    assert [str(p) for p in examined.errors] == []
    profile = examined.profile
    assert profile is not None
    assert profile.actuator.reflected_mass == pytest.approx(choice.mass_kg, rel=1e-9)
    assert profile.limits.force.limited == asked.force
    assert motor_force(profile, choice.most_current_A) == pytest.approx(
        choice.force_N(choice.most_current_A), rel=1e-9
    )
    direct = choice_profile(choice).model_dump(exclude={"drive"})
    _agree(profile.model_dump(exclude={"drive"}), direct)


def _without_weights(required: Requirements) -> Any:
    return required.rig.model_copy(update={"weights": ()})


def _agree(read: Any, direct: Any) -> None:
    if isinstance(direct, dict):
        assert read.keys() == direct.keys()
        for key in direct:
            _agree(read[key], direct[key])
    elif isinstance(direct, float):
        assert read == pytest.approx(direct, rel=1e-9)
    elif isinstance(direct, tuple):
        for one, other in zip(read, direct, strict=True):
            _agree(one, other)
    else:
        assert read == direct


# ------------------------------------------------------------------------ curves, sensitivity


def test_wanted_points_lie_below_the_curves_of_a_choice_that_meets_all(
    required: Requirements,
) -> None:
    choice = chosen(required)
    chart = force_over_frequency(choice)
    for _, frequency, amplitude in chart.points:
        [curve] = chart.curves
        above = min(y for x, y in zip(curve.x, curve.y, strict=True) if x <= frequency)
        assert amplitude < above
    chart = force_over_speed(choice)
    assert {"peak current", "continuous current", "supply voltage"} < {c.name for c in chart.curves}
    assert {"speed", "force", "duty 1"} < {name for name, _, _ in chart.points}


def test_where_a_curve_is_crossed_the_figure_is_missed(required: Requirements) -> None:
    choice = chosen(required)
    chart = force_over_frequency(choice)
    [curve] = chart.curves
    for i in range(60, 121, 20):
        x, y = float(curve.x[i]), float(curve.y[i])
        assert choice.band(1.05 * y).bandwidth_Hz(1.05 * y)[0] <= x * 1.01
        assert choice.band(0.8 * y).bandwidth_Hz(0.8 * y)[0] >= x * 0.99


def test_sensitivities_are_those_of_the_formulas(required: Requirements) -> None:
    found = {(s.part, s.property): dict(s.changes) for s in sensitivities(chosen(required))}
    wire, coil = found["springs", "wire_diameter"], found["springs", "coil_diameter"]
    assert wire["touch_stiffness_N_per_mm"] == pytest.approx(4, abs=0.01)  # G·d⁴/(8·D³·n)
    assert coil["touch_stiffness_N_per_mm"] == pytest.approx(-3, abs=0.01)
    assert found["screw", "dynamic_rating"]["screw_life_h"] == pytest.approx(3, abs=0.01)
    assert found["screw", "free_length"]["buckling_N"] == pytest.approx(-2, abs=0.01)
    assert found["motor", "continuous_current"]["motor_heat"] == pytest.approx(-2, abs=0.01)


# ------------------------------------------------------------------------ mistakes


@pytest.mark.parametrize(
    ("before", "after", "key", "part"),
    [
        ("force: 580 N ", "force: 580 ", "force", "has no unit"),
        ("force: 580 N ", "force: 500 N ", "rig.weights[2]", "553.1 N at the rod"),
        ("speed_force: 300 N", "speed_force: 3 kN", "speed_force", "above the required"),
        ("stroke: 55 mm", "stroke: 55 kg", "stroke", "not a length"),
        ("stroke: 55 mm", "strok: 55 mm", "strok", "did you mean 'stroke'"),
        ("force: 400 N}", "force: 900 N}", "duty[3].force", "above the required force"),
        ("frequency: 25 Hz", "frequency: 250 Hz", "sines[0].frequency", "is too high for a rate"),
        ("amplitude: 400 N", "amplitude: 4 kN", "sines[1].amplitude", "above the"),
        (", battery: 180 W*h", "", "supply.runtime", "no battery"),
        ("life: 2000 h", "life: -1 h", "life", "must be greater than 0"),
    ],
)
def test_a_wrong_requirement_is_one_line_with_its_place(
    before: str, after: str, key: str, part: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert before in REQUIRED
    Path("w.yaml").write_text(REQUIRED.replace(before, after, 1))
    with pytest.raises(ProfileError) as error:
        load_requirements("w.yaml")
    found = [problem for problem in error.value.problems if problem.key == key]
    assert found and part in str(found[0]), str(error.value)
    # The reported line contains the key's last word.
    written = Path(found[0].file).read_text().splitlines()[found[0].line - 1]
    word = key.rpartition(".")[2].partition("[")[0]
    assert word in written or part in written


@pytest.mark.parametrize(
    ("before", "after", "key", "part"),
    [
        ("name: M2", "name: M1", "motors[1].name", "name of motors[0] too"),
        ("name: M2", "name: M 2", "motors[1].name", "one word"),
        ("peak_current: 18 A", "peak_current: 5 A", "motors[0].continuous_current", "above"),
        ("travel: 85 mm", "travel: 850 mm", "screws[0].travel", "above the length"),
        ("coil_diameter: 26 mm", "coil_diameter: 26 m", "springs[0].coil_diameter", "times the"),
        ("preload: 4 mm", "preload: 40 mm", "springs[0].preload", "leaves nothing"),
        ("ends: fixed_free", "ends: loose", "screws[0].ends", "fixed_free"),
    ],
)
def test_a_wrong_part_is_one_line_with_its_place(
    before: str, after: str, key: str, part: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert before in PARTS
    Path("p.yaml").write_text(PARTS.replace(before, after, 1))
    with pytest.raises(ProfileError) as error:
        load_parts("p.yaml")
    found = [problem for problem in error.value.problems if problem.key == key]
    assert found and part in str(found[0]), str(error.value)
    # The reported line contains the key's last word.
    written = Path(found[0].file).read_text().splitlines()[found[0].line - 1]
    word = key.rpartition(".")[2].partition("[")[0]
    assert word in written or part in written


def test_a_file_that_is_not_there_names_the_shipped_ones() -> None:
    with pytest.raises(ProfileError, match="did you mean 'footplate'"):
        load_requirements("fotplate")
    with pytest.raises(ProfileError, match="no such file"):
        load_parts("motors.yaml")


def test_an_unknown_combination_names_near_ones(required: Requirements) -> None:
    found = [sized(chosen(required))]
    with pytest.raises(SizingError, match="did you mean 'M2/S10/K60'"):
        named(found, "M2/S10/K6")
    with pytest.raises(SizingError, match="from 1 to 1"):
        named(found, "7")
