"""The stated uncertainty against repeated whole experiments (JCGM 101)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.calibration.fit_models import Fit, FitError, fit_law
from hil.calibration.loads import INPUTS, Accuracy, rod_load
from hil.calibration.result import CalibrationPoint
from hil.calibration.uncertainty import (
    budget_for,
    common_parts,
    drift_N,
    law_part,
    refits,
    scatter_law,
    table_of,
)
from hil.profile.loader import load_profile
from hil.profile.schema import Lever

PROFILE = load_profile("footplate_trainer")
MASSES = {"no load": None, "lever alone": 0.0, "2.5 kg": 2.5, "5 kg": 5.0, "7.5 kg": 7.5}
POSITIONS = (0.0056, 0.0275, 0.0494)
HYSTERESIS = 0.004  # largest share of the force, either way; partly worn off, at random
NOISE = 0.8
TRUE = (2048.0, 2.2756, 4.5511, 330.0)


def reading(load: float) -> float:
    zero, inner, outer, knee = TRUE
    within = min(load, knee)
    return zero + inner * within + outer * (load - within)


def slope(load: float) -> float:
    return TRUE[1] if load <= TRUE[3] else TRUE[2]


def experiment(chance: np.random.Generator, known: bool = False) -> list[CalibrationPoint]:
    """Return the points of one calibration; each input is off at random by its uncertainty.

    Hysteresis is drawn once for each condition. ``known``: all inputs are exact.
    """
    off = {name: 0.0 if known else chance.standard_normal() for name in INPUTS}
    points = []
    for label, mass in MASSES.items():
        for position in POSITIONS:
            for approach in (1, -1):
                told = rod_load(PROFILE, mass or 0.0, position)
                parts = dict.fromkeys(INPUTS, 0.0) if mass is None else told.parts
                load = 0.0 if mass is None else told.force_N
                true = load + sum(parts[name] * off[name] for name in INPUTS)
                way = chance.uniform(-1.0, 1.0) * HYSTERESIS * true
                for series in (1, 2, 3):
                    counts = reading(true - way) + chance.normal(0.0, NOISE / math.sqrt(300))
                    points.append(
                        CalibrationPoint(
                            label,
                            mass or 0.0,
                            load,
                            0.0,
                            parts,
                            counts,
                            NOISE,
                            300,
                            series,
                            1,
                            1 if approach > 0 else -1,
                            series,
                            position,
                            load,
                            wanted_m=position,
                        )
                    )
    return points


def law_of(points: list[CalibrationPoint]) -> Fit:
    return fit_law(table_of(points), "two_slopes")


def load_at(fit: Fit, counts: float) -> float:
    zero, inner, outer, knee = fit.coefficients
    load = (counts - zero) / inner
    return float(load if load <= knee else knee + (counts - zero - inner * knee) / outer)


def test_the_budget_holds_what_whole_experiments_scatter() -> None:
    forces = np.array([20.0, 120.0, 250.0, 400.0, 530.0])
    errors, stated = [], []
    for seed in range(300):
        chance = np.random.default_rng(seed)
        points = experiment(chance)
        fit = law_of(points)
        for_one = []
        for force in forces:
            way = chance.uniform(-1.0, 1.0) * HYSTERESIS * force
            counts = round(reading(force - way) + chance.normal(0.0, NOISE))
            for_one.append(load_at(fit, counts) - force)
        errors.append(for_one)
        if seed % 40 == 0:
            budget = budget_for(points, fit, refits(points, fit))
            stated.append(2.0 * np.interp(forces, budget.force_N, budget.u_N))
    half = np.quantile(np.abs(errors), 0.95, axis=0)
    assert np.mean(stated, axis=0) == pytest.approx(half, rel=0.15)
    inside = np.abs(np.array(errors)[::40]) <= np.array(stated)
    assert 0.9 <= inside.mean() <= 1.0


def test_the_laws_own_part_is_what_it_scatters_by() -> None:
    """The loads are exact: what remains is how well the points determine the law."""
    forces = np.array([250.0, 340.0, 420.0, 530.0])  # near zero this part is negligible
    errors, stated = [], []
    for seed in range(200):
        points = experiment(np.random.default_rng(seed), known=True)
        fit = law_of(points)
        errors.append([load_at(fit, reading(force)) - force for force in forces])
        if seed % 25 == 0:
            stated.append(law_part(fit, refits(points, fit), forces))
    scatter = np.sqrt(np.mean(np.square(errors), axis=0))
    assert np.sqrt(np.mean(np.square(stated), axis=0)) == pytest.approx(scatter, rel=0.25)


def test_a_part_is_the_change_of_the_law_when_its_input_is_off() -> None:
    points = experiment(np.random.default_rng(1))
    fit = law_of(points)
    forces = np.array([100.0, 500.0])
    rig = PROFILE.rig
    assert isinstance(rig, Lever)
    longer = PROFILE.model_copy(
        update={
            "rig": rig.model_copy(
                update={
                    "load_arm": rig.load_arm + Accuracy().load_arm_m,
                    "lever_mass": rig.lever_mass,
                }
            )
        }
    )
    moved = law_of(
        [
            p
            if p.label == "no load"
            else replace(
                p,
                load_N=rod_load(longer, p.mass_kg, p.output_position_m).force_N
                - pan_part(longer, p.output_position_m),
            )
            for p in points
        ]
    )
    change = [moved.load_for(fit.reading(force)).value - force for force in forces]
    assert common_parts(points, fit, forces)["load_arm"] == pytest.approx(change, rel=0.02)


def pan_part(longer: object, position: float) -> float:
    """Return the pan's own share of the longer arm, which is part of the weighed moment."""
    empty = rod_load(PROFILE, 0.0, position).force_N
    return rod_load(longer, 0.0, position).force_N - empty  # type: ignore[arg-type]


def test_scatter_is_split_into_a_constant_and_what_grows_with_the_force() -> None:
    chance = np.random.default_rng(2)
    points = []
    for p in experiment(chance):
        # Partly worn off, at random, as under a load that swings before it rests.
        loop = chance.uniform(-1.0, 1.0) * HYSTERESIS * p.load_N
        away = (loop + chance.normal(0.0, 0.15)) * slope(p.load_N)
        points.append(replace(p, reading_counts=reading(p.load_N) + away))
    constant, hysteresis = scatter_law(points, law_of(points))
    assert constant == pytest.approx(0.15, rel=0.25)
    assert hysteresis == pytest.approx(HYSTERESIS, rel=0.35)


def test_hysteresis_that_repeats_does_not_average_out() -> None:
    """Three series determine the law no better than one if each repeats the other."""
    one = [p for p in experiment(np.random.default_rng(3)) if p.series == 1]
    many = [replace(p, series=n) for n in (1, 2, 3, 4) for p in one]
    errors = []
    for points in (one, many):
        fit = law_of(points)
        drawn = refits(points, fit)
        errors.append(np.std([d.reading(500.0) for d in drawn]))
    assert errors[1] == pytest.approx(errors[0], rel=0.2)
    naive = [law_of(points).at(500.0).u for points in (one, many)]
    assert naive[1] < 0.6 * naive[0]


def test_a_zero_that_drifts_is_a_part_and_one_that_scatters_is_none() -> None:
    points = experiment(np.random.default_rng(4))
    fit = law_of(points)
    assert drift_N(points, fit, 0.3) == 0.0
    drifting = [replace(p, reading_counts=p.reading_counts + 6.0 * (p.series - 1)) for p in points]
    gap = 12.0 / fit.slope(0.0)
    assert drift_N(drifting, fit, 0.3) == pytest.approx(gap / math.sqrt(12.0), rel=0.02)


def test_the_other_sense_is_as_sure_as_far_as_both_sets_work() -> None:
    points = experiment(np.random.default_rng(5))
    fit = law_of(points)
    budget = budget_for(points, fit, refits(points, fit))
    other = budget.components["other sense not loaded"]
    low, high = budget.force_N[0], budget.force_N[-1]
    assert low == -high
    assert np.all(other[budget.force_N > -TRUE[3]] == 0.0)
    assert other[0] == pytest.approx(0.01 * (high - TRUE[3] / 2), rel=0.05)


def test_a_law_that_hangs_by_single_readings_is_refused() -> None:
    points = experiment(np.random.default_rng(6))
    few = [p for p in points if p.series == 1 and p.label in ("no load", "2.5 kg")]
    fit = law_of(points)
    with pytest.raises(FitError, match="depends on single readings"):
        refits(few, replace(fit, residuals=np.zeros(len(few))))
