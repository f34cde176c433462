"""A guided calibration on the simulated rig, done right and done wrong.

A wrong weight or arm needs no new session: the readings stay, and the points get other names or
loads. Only faults of the rig itself need a new session.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hil.bench.lockstep import LockstepBench
from hil.calibration.diagnostics import judge_points
from hil.calibration.evaluation import evaluate
from hil.calibration.fit_models import LAWS
from hil.calibration.loads import Accuracy, rod_load
from hil.calibration.result import CalibrationFinding, CalibrationPoint, CalibrationResult
from hil.calibration.session import Options, Progress, calibrate, planned_loads
from hil.calibration.settling import ABOVE_M, hold_at
from hil.core.requests import Apply, HoldPosition
from hil.core.samples import COLUMNS
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import SimulatedOperator
from hil.procedures.procedure import Ask, Ended, ProcedureFailed, Seen
from hil.profile.loader import load_profile
from hil.profile.schema import Lever, Profile, TwoSlopes

TRAINER = load_profile("footplate_trainer")
assert isinstance(TRAINER.rig, Lever)
LEVER = TRAINER.rig
QUICK = Options(series=1, read_s=0.1, speed_m_s=0.05)
SHORT = replace(QUICK, falling=False, weights_kg=(7.5,))


def on_rig(
    actual: Mapping[str, float] = {}, options: Options = QUICK, told: list[Progress] | None = None
) -> Ended:
    """Run a calibration on a rig whose ``actual`` values differ from the profile."""
    assert TRAINER.simulation is not None
    simulation = TRAINER.simulation.model_copy(
        update={"actual": {**TRAINER.simulation.actual, **actual}}
    )
    profile = TRAINER.model_copy(update={"simulation": simulation})
    bench = LockstepBench(profile, 1)
    hands = SimulatedOperator(bench.environment, bench.drive.core.parameters)
    tell = told.append if told is not None else lambda _progress: None
    return LockstepRunner(bench, operator=hands).run(calibrate(profile, options, tell))


@pytest.fixture(scope="module")
def whole() -> tuple[CalibrationResult, list[Progress]]:
    told: list[Progress] = []
    ended = on_rig({"spring_preload_m": 0.0031, "sensor_zero_counts": 2060.0}, told=told)
    assert ended.how == "finished"
    return ended.value, told


def codes(findings: Any) -> list[str]:
    return [f.code for f in findings]


def named(
    result: CalibrationResult, masses: Mapping[float, float] = {}, **rig: float
) -> tuple[Profile, list[CalibrationPoint]]:
    """Return the points as recorded under other masses or with another lever."""
    profile = TRAINER.model_copy(update={"rig": LEVER.model_copy(update=rig)})
    points = []
    for p in result.points:
        mass = masses.get(p.mass_kg, p.mass_kg)
        load = rod_load(profile, mass, p.output_position_m)
        if p.load_N != 0.0:
            label = f"{mass:g} kg" if mass else "lever alone"
            p = replace(p, label=label, mass_kg=mass, load_N=load.force_N, parts=load.parts)
        points.append(p)
    return profile, points


def judged(
    result: CalibrationResult, masses: Mapping[float, float] = {}, **rig: float
) -> list[CalibrationFinding]:
    profile, points = named(result, masses, **rig)
    return judge_points(profile, points, result.sensor)


# -- done right --------------------------------------------------------------------------------


def test_the_law_of_a_rig_that_differs_from_its_drawing(
    whole: tuple[CalibrationResult, list[Progress]],
) -> None:
    result, _ = whole
    assert codes(result.findings) == ["few_series"]
    assert result.acceptable
    calibration = result.calibration
    assert calibration is not None
    law = calibration.spring_law
    assert isinstance(law, TwoSlopes)
    assert result.knee_m == pytest.approx(0.0031, abs=1e-4)
    assert law.inner_rate == pytest.approx(120e3, rel=0.01)
    assert law.outer_rate == pytest.approx(60e3, rel=0.02)
    assert calibration.zero == pytest.approx(2060.0, abs=1.0)


def test_the_zero_is_free_of_friction(whole: tuple[CalibrationResult, list[Progress]]) -> None:
    """Readings without load differ by the side of approach; the zero between them does not."""
    result, _ = whole
    assert result.calibration is not None
    free = {
        side: [
            p.reading_counts for p in result.points if p.label == "no load" and p.approach == side
        ]
        for side in (1, -1)
    }
    sides = [sum(readings) / len(readings) for readings in free.values()]
    middle = sum(sides) / 2
    assert abs(middle - 2060.0) < 0.7
    assert abs(result.calibration.zero - 2060.0) < 0.7


def test_every_load_is_met_from_both_sides_and_what_was_reported(
    whole: tuple[CalibrationResult, list[Progress]],
) -> None:
    result, told = whole
    labels = {p.label for p in result.points}
    assert labels == {"no load", "lever alone", "2.5 kg", "5 kg", "7.5 kg"}
    for label in labels:
        mine = [p for p in result.points if p.label == label]
        assert {p.approach for p in mine} == {1, -1}
        assert all(len(p.rows) > 50 for p in mine)
    todo = [p.text for p in told if p.kind == "load"]
    assert todo[0] == "Take everything off the rod"
    assert [text for text in todo if text.startswith("Hang")] == [
        "Hang 2.5 kg",
        "Hang 5 kg",
        "Hang 7.5 kg",
        "Hang 5 kg",
        "Hang 2.5 kg",
    ]
    assert todo.index("Clamp the output") < todo.index("Take the clamp off")
    points = [p for p in told if p.kind == "point"]
    assert [p.done for p in points] == list(range(1, len(result.points) + 1))
    assert points[-1].total == len(result.points)
    assert any(p.kind == "settling" and math.isfinite(p.slope_counts_s) for p in told)


@pytest.mark.parametrize(("approach", "goals"), [(1, [0.0275]), (-1, [0.0275 + ABOVE_M, 0.0275])])
def test_from_above_means_from_above(approach: int, goals: list[float]) -> None:
    asked = []
    seen = Seen(rows=np.zeros((1, len(COLUMNS))))
    moving = hold_at(0.0275, 0.01, approach)
    action = next(moving)
    with contextlib.suppress(StopIteration):
        while True:
            if isinstance(action, Ask) and isinstance(action.request, Apply):
                assert isinstance(action.request.behaviour, HoldPosition)
                asked.append(action.request.behaviour.position_m)
            action = moving.send(seen)
    assert asked == pytest.approx(goals)


# -- the same points under other names ---------------------------------------------------------


def test_what_was_done_right_is_not_found_fault_with(
    whole: tuple[CalibrationResult, list[Progress]],
) -> None:
    assert judged(whole[0]) == []


@pytest.mark.parametrize(
    ("masses", "code", "words"),
    [
        ({2.5: 5.0, 5.0: 2.5}, "wrong_order", "2.5 kg was named and 5 kg hung"),
        ({5.0: 7.5, 7.5: 5.0}, "wrong_order", "5 kg was named and 7.5 kg hung"),
        ({2.5: 0.255, 5.0: 0.51, 7.5: 0.765}, "wrong_unit", "kilograms were typed for newtons"),
        ({2.5: 24.5, 5.0: 49.0, 7.5: 73.5}, "wrong_unit", "newtons were typed for kilograms"),
    ],
)
def test_weights_that_are_not_what_was_named(
    whole: tuple[CalibrationResult, list[Progress]],
    masses: dict[float, float],
    code: str,
    words: str,
) -> None:
    (found,) = judged(whole[0], masses)
    assert found.code == code
    assert words in found.sentence
    assert "repeat" in found.fix


def test_one_weight_that_was_not_hung(whole: tuple[CalibrationResult, list[Progress]]) -> None:
    """In the rising half 5 kg was named, but only lever and pan hung."""
    result, _ = whole
    bare = [p for p in result.points if p.label == "lever alone"]
    points = [
        replace(
            p,
            reading_counts=bare[0].reading_counts,
            motor_force_N=bare[0].motor_force_N,
            output_position_m=p.output_position_m,
        )
        if p.label == "5 kg" and p.direction > 0
        else p
        for p in result.points
    ]
    (found,) = judge_points(TRAINER, points, result.sensor)
    assert found.code == "not_hung"
    assert "5 kg was named and nothing hung (series 1, loads rising)" in found.sentence
    assert "hang 5 kg" in found.fix
    assert len(found.points) == 2


@pytest.mark.parametrize(
    ("arms", "words"),
    [
        ({"load_arm": LEVER.load_arm / 1.1}, "longer than in the profile"),
        ({"load_arm": LEVER.load_arm * 1.1}, "shorter than in the profile"),
        (
            {"rod_arm": LEVER.rod_arm * 1.1},
            "longer than in the profile, or the rod arm the opposite",
        ),
    ],
)
def test_a_lever_arm_off_by_a_tenth(
    whole: tuple[CalibrationResult, list[Progress]], arms: dict[str, Any], words: str
) -> None:
    (found,) = judged(whole[0], **arms)
    assert found.code == "arm_wrong"
    assert words in found.fix
    assert "rig.load_arm" in found.fix


def again(
    profile: Profile, points: list[CalibrationPoint], result: CalibrationResult, planned: int = 9
) -> CalibrationResult:
    return evaluate(profile, Accuracy(), LAWS, points, result.sensor, planned=planned)


def test_a_pan_that_was_forgotten(whole: tuple[CalibrationResult, list[Progress]]) -> None:
    """In the profile lever and pan weigh one pan more than what hung."""
    own = LEVER.lever_mass * LEVER.lever_centre + LEVER.pan_mass * LEVER.load_arm
    profile, points = named(whole[0], lever_centre=own / LEVER.lever_mass)
    result = again(profile, points, whole[0])
    assert not result.acceptable
    (found,) = [f for f in result.findings if f.severity == "error"]
    assert found.code == "pan_forgotten"
    assert "hang the pan" in found.fix


def test_loads_only_upward(whole: tuple[CalibrationResult, list[Progress]]) -> None:
    rising = [p for p in whole[0].points if p.direction > 0]
    result = again(TRAINER, rising, whole[0], planned=5)
    assert not result.acceptable
    assert "only_rising" in codes(result.findings)


def test_one_weight_takes_the_simpler_law_and_says_where_it_ends(
    whole: tuple[CalibrationResult, list[Progress]],
) -> None:
    """Loads below the knee do not show it; beyond it the line would be wrong."""
    light = [p for p in whole[0].points if p.label in ("no load", "lever alone", "2.5 kg")]
    result = again(TRAINER, light, whole[0], planned=5)
    assert result.fit is not None and result.fit.law == "line"
    assert math.isnan(result.knee_m)
    assert not result.acceptable
    (found,) = [f for f in result.findings if f.code == "too_few"]
    assert "above the heaviest load (210 N) this law (line) is wrong" in found.sentence
    assert "two of them beyond the knee" in found.fix


def test_one_load_is_too_few_for_any_law(whole: tuple[CalibrationResult, list[Progress]]) -> None:
    bare = [p for p in whole[0].points if p.label == "no load"]
    result = again(TRAINER, bare, whole[0])
    assert result.calibration is None
    (found,) = result.findings
    assert found.code == "too_few"
    assert "add loads" in found.sentence


# -- faults of the rig itself ------------------------------------------------------------------


def test_a_lever_that_rests_on_its_stop() -> None:
    """The motor cannot lift the load: the lever's stop bears part of it."""
    ended = on_rig({"peak_current_A": 8.0}, replace(SHORT, sweep=False))
    (found,) = [f for f in ended.value.findings if f.code == "on_stop"]
    assert "7.5 kg" in found.sentence and "rests on its stop" in found.sentence
    assert "under the lever" in found.fix
    assert not ended.value.acceptable


def test_springs_at_solid_height() -> None:
    """Reached with the output clamped: the bench stops, and the calibration reads the stop."""
    result = on_rig({"spring_solid_m": 0.0045}).value
    assert not result.acceptable
    (found,) = [f for f in result.findings if f.code == "solid"]
    assert "solid height" in found.sentence and "differ by" in found.sentence
    assert codes(result.findings) == ["solid"]


def test_a_sensor_near_its_rail() -> None:
    ended = on_rig(
        {"sensor_zero_counts": 2048.0 + 350.0}, replace(SHORT, weights_kg=(0.5,), sweep=False)
    )
    (found,) = [f for f in ended.value.findings if f.code == "near_rail"]
    assert "without load the sensor reads 239" in found.sentence
    assert "set the sensor" in found.fix
    assert not ended.value.acceptable


def test_preload_that_is_lost_is_pressed_no_harder_and_reported() -> None:
    ended = on_rig({"spring_preload_m": -0.0002}, replace(SHORT, weights_kg=(0.5,)))
    result = ended.value
    (found,) = [f for f in result.findings if f.code == "no_preload"]
    assert "preload is lost" in found.sentence
    # The watch for changes of the spring law pauses: the law is being measured.
    assert result.dead_zone_m == pytest.approx(0.0004, abs=1e-4)
    law = result.calibration.spring_law
    assert law.outer_rate == pytest.approx(60e3, rel=0.02)
    assert law.knee == pytest.approx(0.0002, abs=5e-5)
    # At most half the limited force against the clamp.
    assert result.sensor is not None
    assert abs(result.sensor.motor_force_N).max() < 0.5 * TRAINER.limits.force.limited


# -- refused before anything moves -------------------------------------------------------------


@pytest.mark.parametrize(
    ("weights", "words"),
    [
        ((24.5, 49.0), "if it was meant in newtons, give its mass in kilograms"),
        ((9.0,), "9 kg would press the rod with"),
        ((0.0,), "not above 0 kg"),
        ((float("nan"),), "not above 0 kg"),
    ],
)
def test_weights_that_cannot_be_used(weights: tuple[float, ...], words: str) -> None:
    with pytest.raises(ProcedureFailed, match=words):
        planned_loads(TRAINER, Options(weights_kg=weights))


def test_a_weight_merely_too_heavy_is_not_taken_for_newtons() -> None:
    with pytest.raises(ProcedureFailed) as refused:
        planned_loads(TRAINER, Options(weights_kg=(9.0,)))
    assert "newtons" not in str(refused.value)


def test_a_profile_without_weights_asks_for_them() -> None:
    bare = TRAINER.model_copy(update={"rig": LEVER.model_copy(update={"weights": ()})})
    with pytest.raises(ProcedureFailed, match="no weights are named"):
        planned_loads(bare, Options())
