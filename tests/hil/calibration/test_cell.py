"""Calibration without weights on a lever: by a reference load cell, or dead weights on the rod."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hil.bench.lockstep import LockstepBench
from hil.calibration.archive import keep_calibration
from hil.calibration.cell import TRIES, ask_cell, misread
from hil.calibration.diagnostics import judge_points
from hil.calibration.loads import Accuracy, kind_of_loads
from hil.calibration.plan import PlannedLoad, Session
from hil.calibration.result import CalibrationResult
from hil.calibration.session import Options, calibrate, planned_loads
from hil.calibration.settling import energise, hold_at, settle
from hil.control.calibration import ForceCalibration
from hil.core.requests import Apply, Waveform
from hil.procedures.lockstep_runner import LockstepRunner
from hil.procedures.operator import LoadCell, SimulatedOperator
from hil.procedures.procedure import (
    Action,
    Hand,
    Note,
    Pause,
    ProcedureFailed,
    Read,
    Seen,
    column,
    send_requests,
)
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

TRAINER, SLIDE = load_profile("footplate_trainer"), load_profile("bench_slide")
LEVEL = SLIDE.model_copy(update={"rig": SLIDE.rig.model_copy(update={"vertical": False})})
CELL = LoadCell()
KNOWN = Accuracy(cell=0.001)
QUICK = Options(series=1, read_s=0.1, speed_m_s=0.05, loads="cell", accuracy=KNOWN)
Check = tuple[float, float]


def rig(profile: Profile, actual: Mapping[str, float]) -> LockstepBench:
    assert profile.simulation is not None
    actual = {**profile.simulation.actual, **actual}
    simulation = profile.simulation.model_copy(update={"actual": actual})
    return LockstepBench(profile.model_copy(update={"simulation": simulation}), 1)


def runner(bench: LockstepBench, told: list[str], cell: LoadCell = CELL) -> LockstepRunner:
    hands = SimulatedOperator(bench.environment, bench.drive.core.parameters, cell=cell)
    return LockstepRunner(bench, tell=told.append, operator=hands)


def pressed(
    profile: Profile, bench: LockstepBench, forces: tuple[float, ...]
) -> Generator[Action, Seen, list[Check]]:
    """Press the clamped output at other forces than the calibration's; return (force in N, counts)."""
    yield Hand("support_load", "")
    output = yield from energise()
    yield from hold_at(profile.actuator.stroke / 2, output, 1)
    yield Hand("hold_output", "")
    found, before = [], 0.0
    for force in forces:
        ramp = Waveform(shape="table", points=((0.0, before), (0.5, force)))
        yield from send_requests([Apply(behaviour=ramp, load_may_move=True)])
        yield Pause(0.5)
        yield from settle(profile)
        rows = (yield Pause(0.1)).rows
        true = bench.environment.state()["spring_force_N"]
        found.append((true, float(column(rows, "deflection_counts").mean())))
        before = force
    return found


def off_band(result: CalibrationResult, checks: list[Check]) -> list[float]:
    """Return the errors in units of the band ±U."""
    assert result.calibration is not None
    law = ForceCalibration(result.calibration, result.profile.sensors.deflection)
    reads = [(true, law.force(law.deflection(counts))) for true, counts in checks]
    return [abs(read - true) / law.u95(read) for true, read in reads]


# -- by a reference load cell ------------------------------------------------------------------

RIGS = {
    "lever": (
        TRAINER,
        {
            "spring_preload_m": 0.0031,
            "sensor_zero_counts": 2060.0,
            "spring_rate_push_N_m": 62e3,
            "spring_rate_pull_N_m": 62e3,
        },
    ),
    "level": (
        LEVEL,
        {"spring_rate_push_N_m": 24e3, "spring_rate_pull_N_m": 24e3, "sensor_zero_counts": 8105.0},
    ),
}


@pytest.fixture(scope="module", params=list(RIGS))
def by_cell(request: pytest.FixtureRequest) -> tuple[LockstepBench, CalibrationResult, list[str]]:
    profile, actual = RIGS[request.param]
    told: list[str] = []
    bench = rig(profile, actual)
    options = QUICK
    if request.param == "level":
        options = replace(QUICK, pull=True, forces_N=(60.0, 120.0, 180.0, 205.0, 230.0))
    ended = runner(bench, told).run(calibrate(profile, options))
    assert ended.how == "finished", ended.text
    return bench, ended.value, told


def test_the_true_law_lies_in_the_band(
    by_cell: tuple[LockstepBench, CalibrationResult, list[str]],
) -> None:
    """On a rig that differs from its drawing, for both signs of force that were pressed."""
    bench, result, _ = by_cell
    assert result.acceptable and [f.code for f in result.findings] == ["few_series"]
    assert result.loads == "cell"
    profile = result.profile
    most = profile.limits.force.limited
    shares: tuple[float, ...] = (0.17, 0.42, 0.63, 0.86, 0.71, 0.29, 0.05)
    if min(p.load_N for p in result.points) < -1.0:
        shares += (-0.22, -0.74, -0.5)
    ended = runner(bench, []).run(pressed(profile, bench, tuple(most * s for s in shares)))
    assert ended.how == "finished", ended.text
    # The profile's old law lies far outside the band.
    old = replace(
        result,
        calibration=profile.calibration.model_copy(
            update={"uncertainty_table": result.budget.table if result.budget else ()}
        ),
    )
    assert max(off_band(result, ended.value)) < 1.0
    assert max(off_band(old, ended.value)) > 3.0


def test_points_are_the_cells_readings_from_both_sides(
    by_cell: tuple[LockstepBench, CalibrationResult, list[str]],
) -> None:
    _, result, told = by_cell
    assert any("Mount the load cell" in text for text in told)
    labels = [p.label for p in result.points if p.label.startswith("press")]
    many = 5 if "press 60 N" in labels else 10
    assert len(set(labels)) == many and labels == [*labels[:many], *labels[many - 2 :: -1]]
    for p in result.points:
        assert p.direction == p.approach
        assert p.load_N == pytest.approx(round(p.load_N, 1))  # in steps of the indicator
        assert p.u_load_N == pytest.approx(0.001 * abs(p.load_N))
        assert p.mass_kg == 0.0


def test_the_file_names_the_kind_and_what_it_rests_on(
    by_cell: tuple[LockstepBench, CalibrationResult, list[str]], tmp_path: Path
) -> None:
    file = keep_calibration(tmp_path, by_cell[1], profile_file="x.yaml", drive="-", simulated=True)
    content = file.content
    assert content.conditions["loads"] == "reference load cell"
    assert "gravity_m_s2" not in content.conditions
    assert content.accuracy == {"cell": 0.001, "cell_N": 0.0}
    assert [c for c in content.points.columns if c.startswith("part_")] == ["part_cell_scale_N"]
    assert "cell_scale_N" in content.budget.columns
    assert "reference load cell" in file.path.with_suffix(".html").read_text()


@pytest.mark.parametrize("share", [0.85, 1.15])
def test_a_cell_that_motor_and_springs_contradict(
    by_cell: tuple[LockstepBench, CalibrationResult, list[str]], share: float
) -> None:
    """An indicator set to another cell's sensitivity is such a cell."""
    result = by_cell[1]
    points = [replace(p, load_N=share * p.load_N) for p in result.points]
    (found,) = judge_points(result.profile, points, result.sensor, "cell")
    assert found.code == "cell_disagrees" and found.severity == "error"
    times = float(found.sentence.split(" is ")[1].split()[0])
    assert times == pytest.approx(1 / share, rel=0.06)
    assert "sensitivity" in found.fix and "lever" not in found.fix


def test_what_the_cell_shows_to_be_too_hard_is_pressed_less_or_left_out() -> None:
    told: list[str] = []
    bench = rig(TRAINER, {})
    options = replace(QUICK, forces_N=(200.0, 500.0, 550.0), falling=False, sweep=False)
    ended = runner(bench, told, LoadCell(scale=1.3)).run(calibrate(TRAINER, options))
    points = ended.value.points
    assert [p.label for p in points] == ["no load", "press 200 N", "press 500 N"]
    assert points[-1].load_N == pytest.approx(0.97 * TRAINER.limits.force.limited, rel=0.01)
    assert any(text.startswith("press 550 N is left out: by the load cell") for text in told)
    assert "left_out" in [f.code for f in ended.value.findings]
    assert bench.environment.state()["peak_driven_force_N"] < 450.0


# -- typed readings ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "felt", "words"),
    [
        (0.2, 200.0, "kilonewtons were typed for newtons: type newtons, or the number with"),
        (20.4, 200.0, "kilograms were typed for newtons"),
        (2e5, 200.0, "millinewtons were typed"),
        (-199.0, 200.0, "wrong sign, as springs and motor hold about 200 N: type + where"),
        (199.0, -200.0, "wrong sign"),
        (math.nan, 200.0, "No number was given: type what the cell's indicator shows, in newtons"),
        (math.inf, 200.0, "No number was given"),
        (700.0, 200.0, "check the indicator again"),
        (90.0, 0.3, "check the indicator again"),
    ],
)
def test_a_reading_that_cannot_be(typed: float, felt: float, words: str) -> None:
    assert words in misread(typed, felt, 580.0)


@pytest.mark.parametrize(
    ("typed", "felt"),
    [
        (199.0, 200.0),
        (150.0, 200.0),
        (270.0, 200.0),
        (-0.4, 0.3),
        (0.0, 0.0),
        (-230.0, -200.0),
        (12.0, -2.0),
    ],
)
def test_a_reading_that_can_be_is_taken(typed: float, felt: float) -> None:
    assert misread(typed, felt, 580.0) == ""


def answered(typed: list[float]) -> tuple[list[Action], float]:
    load = PlannedLoad("press 200 N", 0.0, 1, 200.0)
    session = Session(TRAINER, QUICK, lambda _p: None, "cell", [load])
    asking = ask_cell(session, load, 201.0)
    actions = [next(asking)]
    try:
        while True:
            seen = Seen(value=typed.pop(0)) if isinstance(actions[-1], Read) else Seen()
            actions.append(asking.send(seen))
    except StopIteration as end:
        return actions, end.value


def test_what_cannot_be_is_reported_and_asked_again_with_the_fix() -> None:
    (first, note, again), reading = answered([0.2, 200.4])
    assert reading == 200.4
    assert isinstance(first, Read) and first.question.startswith("Press 200 N. The load cell's")
    assert isinstance(note, Note) and "kilonewtons" in note.text
    assert isinstance(again, Read) and "kilonewtons" in again.question


def test_it_is_not_asked_for_ever() -> None:
    with pytest.raises(ProcedureFailed, match="press 200 N: -200 N has the wrong sign"):
        answered([-200.0] * TRIES)


# -- dead weights on the rod -------------------------------------------------------------------


def test_dead_weights_on_the_rod_of_an_upright_slide() -> None:
    told: list[str] = []
    bench = rig(SLIDE, {"spring_rate_push_N_m": 26e3, "spring_rate_pull_N_m": 26e3})
    options = Options(
        weights_kg=(12.0,), series=1, read_s=0.1, speed_m_s=0.08, laws=("line",), sweep=False
    )
    run = runner(bench, told)
    result = run.run(calibrate(SLIDE, options)).value
    assert result.loads == "rod" and result.acceptable
    assert max(p.load_N for p in result.points) == pytest.approx(18.0 * 9.80665)
    ended = run.run(pressed(SLIDE, bench, (30.0, 90.0, 150.0)))
    assert max(off_band(result, ended.value)) < 1.0
    heavier = [replace(p, load_N=1.5 * p.load_N) for p in result.points]
    (found,) = judge_points(SLIDE, heavier, result.sensor, "rod")
    assert found.code == "weights_disagree" and "rig.carriage_mass" in found.fix


def test_the_kind_follows_from_the_rig() -> None:
    assert kind_of_loads(TRAINER) == "lever"
    assert kind_of_loads(SLIDE) == "rod"
    assert kind_of_loads(LEVEL, "cell") == "cell"


@pytest.mark.parametrize(
    ("profile", "options", "words"),
    [
        (TRAINER, Options(loads="rod"), "this rig has a lever between .*--loads lever"),
        (SLIDE, Options(loads="lever"), "has no lever: lay weights on the rod"),
        (LEVEL, Options(), "do not act on the rod of a level rig .* press on a reference load"),
        (TRAINER, Options(loads="cell"), "uncertainty is not given: .* standard uncertainty"),
        (TRAINER, replace(QUICK, forces_N=(100.0, 570.0)), "570 N is more than 563 N"),
        (TRAINER, replace(QUICK, forces_N=(-50.0,)), "not above 0 N"),
        (TRAINER, replace(QUICK, weights_kg=(5.0,)), "weights do not hang on a load cell"),
    ],
)
def test_loads_that_cannot_be_used(profile: Profile, options: Options, words: str) -> None:
    with pytest.raises(ProcedureFailed, match=words):
        planned_loads(profile, options)


def test_pull_is_planned_only_where_it_is_permitted() -> None:
    assert {p.press_N >= 0.0 for p in planned_loads(LEVEL, QUICK)} == {True}
    both = planned_loads(LEVEL, replace(QUICK, pull=True, forces_N=(50.0, 100.0)))
    assert [p.press_N for p in both] == [0.0, 50.0, 100.0, 50.0, -50.0, -100.0, -50.0, 0.0]
    assert all(isinstance(p.mass_kg, float) for p in both)
