"""Choice of law, outliers, solid springs and sensor tables, on points made up from a law."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hil.calibration.diagnostics import judge_points
from hil.calibration.evaluation import dead_zone, evaluate, set_aside
from hil.calibration.fit_models import LAWS, FitError, fit_law
from hil.calibration.law_for_profile import calibration_for, sensor_law
from hil.calibration.loads import INPUTS, Accuracy
from hil.calibration.result import CalibrationPoint, CalibrationResult, SensorLaw
from hil.calibration.uncertainty import table_of
from hil.control.calibration import ForceCalibration
from hil.profile.loader import load_profile
from hil.profile.schema import Polynomial

PROFILE = load_profile("footplate_trainer")
PER_COUNT = PROFILE.calibration.deflection_per_count
LOADS = (0.0, 30.0, 110.0, 200.0, 290.0, 370.0, 450.0, 540.0)
ZERO = 2048.0


def points(
    deflection_mm: Callable[[float], float], loads: tuple[float, ...] = LOADS, seed: int = 1
) -> list[CalibrationPoint]:
    """Return three series up and down on springs that deflect by ``deflection_mm`` at a load in N."""
    chance = np.random.default_rng(seed)
    found = []
    for series in (1, 2, 3):
        for direction in (1, -1):
            for load in loads[::direction]:
                counts = ZERO + 1e-3 * deflection_mm(load) / PER_COUNT + chance.normal(0.0, 0.8)
                found.append(
                    CalibrationPoint(
                        f"{load:g} N",
                        load / 68.6,
                        load,
                        0.0,
                        dict.fromkeys(INPUTS, 0.0),
                        counts,
                        0.8,
                        300,
                        series,
                        1 if direction > 0 else -1,
                        1 if direction > 0 else -1,
                        series,
                        0.0275,
                        load,
                        wanted_m=0.0275,
                    )
                )
    return found


def knee(load: float) -> float:
    return load / 120.0 if load < 330.0 else 330.0 / 120.0 + (load - 330.0) / 60.0


def straight(load: float) -> float:
    return load / 90.0


def hardening(load: float) -> float:
    """Return the deflection for F = 60·x + 1.5·x³, as of rubber in compression."""
    return float(np.interp(load, 60 * GRID + 1.5 * GRID**3, GRID))


GRID = np.linspace(0.0, 8.0, 4001)


def judged(made: list[CalibrationPoint], laws: tuple[str, ...] = LAWS) -> CalibrationResult:
    return evaluate(PROFILE, Accuracy(), laws, made, None)


# -- which law ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("springs", "law"), [(knee, "two_slopes"), (straight, "line"), (hardening, "cubic")]
)
def test_evidence_chooses_the_law(springs: Callable[[float], float], law: str) -> None:
    result = judged(points(springs))
    assert result.fit is not None
    assert result.fit.law == law
    assert result.fits[law].aicc == min(fit.aicc for fit in result.fits.values())


def test_a_law_named_alone_is_taken_whatever_the_evidence() -> None:
    result = judged(points(knee), ("cubic",))
    assert result.fit is not None and result.fit.law == "cubic"
    assert list(result.fits) == ["cubic"]


def test_a_polynomial_goes_into_the_profile_and_reads_back() -> None:
    result = judged(points(hardening))
    calibration = result.calibration
    assert calibration is not None and isinstance(calibration.spring_law, Polynomial)
    law = ForceCalibration(calibration, PROFILE.sensors.deflection)
    for load in (50.0, 150.0, 330.0, 500.0):
        counts = ZERO + 1e-3 * hardening(load) / PER_COUNT
        assert abs(law.force(law.deflection(counts)) - load) < law.u95(load)
        assert law.force(-law.deflection(counts)) == pytest.approx(
            -law.force(law.deflection(counts))
        )


def test_a_knee_within_a_tenth_of_a_millimetre() -> None:
    result = judged(points(knee))
    assert result.knee_m == pytest.approx(330.0 / 120e3, abs=2e-5)
    assert abs(result.knee_m - 330.0 / 120e3) < 3.0 * result.u_knee_m < 1e-4


@pytest.mark.parametrize("loads", [(0.0, 150.0), (0.0, 23.0, 194.0), (0.0, 23.0, 194.0, 200.0)])
def test_few_loads_give_no_knee(loads: tuple[float, ...]) -> None:
    """Parameters that two loads cannot determine stay undetermined, however many points there are."""
    result = judged(points(knee, loads))
    assert result.fit is not None and result.fit.law != "two_slopes"
    assert np.isnan(result.knee_m)


def test_a_law_that_gives_way_is_no_law() -> None:
    """The heaviest weight stands on the ground: the reading falls again."""
    result = judged(
        [replace(p, reading_counts=ZERO) if p.load_N > 400.0 else p for p in points(knee)],
        ("two_slopes",),
    )
    assert result.calibration is None
    (found,) = [f for f in result.findings if f.severity == "error"]
    assert found.code in ("too_few", "not_hung")


def test_a_curve_that_falls_within_the_permitted_deflection_is_refused() -> None:
    """Loads over the first 2 mm do not determine the law at 7 mm."""
    force = 90.0 * GRID[:1500] - 1.5 * GRID[:1500] ** 3
    loads = tuple(np.interp(np.linspace(0.0, 2.0, 6), GRID[:1500], force).tolist())
    made = points(lambda load: float(np.interp(load, force, GRID[:1500])), loads)
    with pytest.raises(FitError, match="the force falls again before the 7 mm"):
        calibration_for(PROFILE, fit_law(table_of(made), "cubic"), None)


# -- outliers ----------------------------------------------------------------------------------


def test_a_reading_far_off_is_set_aside_and_named() -> None:
    made = points(knee)
    made[12] = replace(made[12], reading_counts=made[12].reading_counts + 25.0)
    result = judged(made)
    assert [i for i, p in enumerate(result.points) if p.outlier] == [12]
    (found,) = [f for f in result.findings if f.code == "outliers"]
    assert found.severity == "warning" and found.points == (12,)
    clean = judged(points(knee))
    assert result.fit is not None and clean.fit is not None
    assert result.fit.coefficients == pytest.approx(clean.fit.coefficients, rel=2e-3)


def test_hysteresis_that_grows_with_the_load_is_no_outlier() -> None:
    """Readings at heavy loads differ by more than any at light loads."""
    chance = np.random.default_rng(4)
    loads = (*np.linspace(0.0, 240.0, 12).tolist(), 450.0, 540.0)
    made = [
        replace(p, reading_counts=p.reading_counts + chance.choice((-1.0, 1.0)) * 10.0)
        if p.load_N > 300.0
        else p
        for p in points(straight, loads)
    ]
    assert not any(p.outlier for p in set_aside(made, ("line",)))


def test_many_that_are_off_are_no_outliers() -> None:
    made = [
        replace(p, reading_counts=p.reading_counts + 40.0 * (i % 3 == 0))
        for i, p in enumerate(points(knee))
    ]
    assert not any(p.outlier for p in set_aside(made, LAWS))


# -- springs and sensor ------------------------------------------------------------------------


def test_springs_that_hardly_give_at_the_heaviest_load_are_solid() -> None:
    def solid(load: float) -> float:
        return min(knee(load), knee(500.0) + (load - 500.0) / 5000.0)

    # The heaviest weight at two positions of the lever, whose cosine makes two loads of it.
    made = [
        replace(p, label="7.5 kg", mass_kg=7.5) if p.load_N > 500.0 else p
        for p in points(solid, (0.0, 200.0, 380.0, 516.0, 553.0))
    ]
    (found,) = judge_points(PROFILE, made, None)
    assert found.code == "solid"
    assert "leave 7.5 kg out" in found.fix


def test_a_reading_near_the_rail_is_named() -> None:
    made = [replace(p, reading_counts=p.reading_counts + 340.0) for p in points(knee)]
    found = judge_points(PROFILE, made, None)
    assert "near_rail" in [f.code for f in found]
    (rail,) = [f for f in found if f.code == "near_rail"]
    assert "540 N" in rail.sentence and "set the sensor" in rail.fix


def sweep(bend_counts: float, noise: float = 0.8, seed: int = 1) -> SensorLaw:
    """Return a sweep out and back, both ways, with the sensor bent by ``bend_counts`` at the ends."""
    chance = np.random.default_rng(seed)
    way = np.concatenate([np.linspace(a, b, 1000) for a, b in ((0, 6), (6, 0), (0, -6), (-6, 0))])
    motor = 60.0 * way + 20.0 * np.sign(np.gradient(way))
    return sensor_law(
        np.round(true_counts(way, bend_counts) + chance.normal(0.0, noise, way.size)),
        1e-3 * way + 0.010,
        motor,
    )


def true_counts(mm: np.ndarray, bend_counts: float) -> np.ndarray:
    return 2048.0 + 273.0 * mm + bend_counts * (mm / 6.0) ** 3


def test_a_straight_sensor_takes_a_line() -> None:
    law = sweep(0.0)
    assert law.kind == "linear" and law.table == ()
    assert law.per_count_m == pytest.approx(1e-3 / 273.0, rel=2e-4)
    assert abs(law.per_count_m - 1e-3 / 273.0) < 3.0 * law.u_per_count_m


def test_a_bent_sensor_takes_a_table_good_to_a_count() -> None:
    law = sweep(30.0)
    assert law.kind == "table"
    counts, mm = np.array(law.table).T
    middle = float(np.interp(0.0, mm, counts))
    inside = np.linspace(mm[0], mm[-1], 60)
    read = np.interp(inside, mm, counts) - middle
    zero = true_counts(np.zeros(1), 30.0)
    assert np.abs(read - (true_counts(inside, 30.0) - zero)).max() < 1.0


def test_friction_cancels_in_the_mean_of_both_ways_of_the_sweep() -> None:
    law = sweep(0.0)
    order = np.argsort(law.deflection_m)
    away = law.motor_force_N[order] - 60e3 * law.deflection_m[order]
    assert np.abs(away[1:-1]).max() < 3.0


def test_a_clamp_that_slips_gives_no_sensor_law() -> None:
    still = np.full(800, 0.01)
    with pytest.raises(FitError, match="the clamp holds the output"):
        sensor_law(np.full(800, 2048.0), still, np.zeros(800))


def test_a_dead_zone_is_seen_by_the_motor() -> None:
    law = sweep(0.0)
    x = law.deflection_m
    assert dead_zone(law) == 0.0
    slack = replace(law, motor_force_N=60e3 * np.sign(x) * np.maximum(np.abs(x) - 4e-4, 0.0))
    assert dead_zone(slack) == pytest.approx(8e-4, abs=2e-5)
