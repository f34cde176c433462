"""Warnings that a calibration may no longer hold, and none on a healthy rig."""

from __future__ import annotations

import datetime
import re
from typing import Any

import numpy as np
import pytest

from hil.bench.lockstep import LockstepBench
from hil.calibration.drift import DriftWatch, MotorBand, age_warning, run_warnings, zero_warning
from hil.control.estimation import Estimator
from hil.core.requests import Apply, HoldPosition, Marker, PowerOn, UseCalibration
from hil.core.samples import COLUMNS, INDEX, State
from hil.profile.schema import Profile, TwoSlopes
from tests.hil.calibration.made_up import PROFILE

DAY = datetime.date(2026, 2, 1)
COUNT_N = 120.0 * 15.0 / 4096


def with_calibration(**changes: Any) -> Profile:
    return PROFILE.model_copy(
        update={"calibration": PROFILE.calibration.model_copy(update=changes)}
    )


def with_rates(share: float) -> Profile:
    law = PROFILE.calibration.spring_law
    assert isinstance(law, TwoSlopes)
    return with_calibration(
        spring_law=law.model_copy(
            update={"inner_rate": law.inner_rate * share, "outer_rate": law.outer_rate * share}
        )
    )


class Held:
    """A run in memory."""

    def __init__(self, rows: np.ndarray, events: list[dict[str, Any]]) -> None:
        self.rows, self.events = rows, events

    def column(self, name: str) -> Any:
        return self.rows[:, INDEX[name]]


@pytest.mark.parametrize(
    ("dated", "months", "code"),
    [
        ("2026-01-15", 12, None),
        ("2025-02-02", 12, None),
        ("2025-01-20", 12, "old"),
        ("2025-12-20", 1, "old"),
        ("2023-02-02", 36, None),
        ("", 12, "undated"),
    ],
)
def test_age(dated: str, months: float, code: str | None) -> None:
    calibration = with_calibration(dated=dated, valid_months=months).calibration
    found = age_warning(calibration, DAY)
    assert (found.code if found else None) == code
    if found is not None:
        assert "calibrate again" in found.fix


@pytest.mark.parametrize(
    ("counts", "warns"), [(0.0, False), (6.0, False), (8.0, True), (-8.0, True)]
)
def test_a_zero_that_moved_by_more_than_it_is_known(counts: float, warns: bool) -> None:
    # ±3 N at k = 2 is 6.8 counts of 0.44 N.
    readings = 2048.0 + counts + np.random.default_rng(1).normal(0, 0.8, 500).round()
    found = zero_warning(PROFILE, readings)
    assert (found is not None) is warns
    if found is not None:
        assert f"{counts * COUNT_N:+.1f}"[:4] in found.sentence


def test_a_reading_that_still_moves_is_no_zero() -> None:
    assert zero_warning(PROFILE, 2048.0 + np.linspace(0, 80, 500)) is None


def test_the_band_of_friction_is_the_estimators_own() -> None:
    estimator, band = Estimator(PROFILE, 0.001), MotorBand(PROFILE)
    for position in np.cumsum(np.repeat([0.0, 2e-6, -1.2e-5], 400)):
        estimator.update(position, 0.001, 120.0, 0.2, 0.001)
    here = band(np.array([estimator.motor_force_N]), np.array([estimator.nut_velocity_m_s]))[0]
    # The estimator derives the screw's loss from the force before that loss, a little larger.
    assert here == pytest.approx(estimator.motor_force_band_N, rel=0.15)


def moved(profile: Profile, moves: int) -> LockstepBench:
    """Lift 2.5 kg up and down on a rig whose true springs are those of PROFILE."""
    bench = LockstepBench(profile)
    rows = bench.run(0.3)
    bench.request(PowerOn(load_supported=True))
    rows += bench.run(0.4)
    bench.request(Apply(behaviour=HoldPosition(position_m=0.02)))
    rows += bench.run(1.5)
    bench.environment.hang(2.5)
    rows += bench.run(1.0)
    for move in range(moves):
        to = 0.015 if move % 2 else 0.045
        bench.request(Apply(behaviour=HoldPosition(position_m=to)))
        rows += bench.run(1.5)
    bench.seen = np.array(rows)  # type: ignore[attr-defined]
    return bench


@pytest.mark.parametrize(("share", "off"), [(1.0, None), (0.8, "+"), (1.25, "-")])
def test_springs_that_are_not_what_the_calibration_says(share: float, off: str | None) -> None:
    """A warning comes only when motor and spring force differ by about a quarter."""
    profile = with_rates(share)
    bench = moved(profile, 6)
    rows = bench.seen  # type: ignore[attr-defined]
    watch = DriftWatch(profile, DAY)
    new = [found for at in range(0, len(rows), 40) for found in watch.rows(rows[at : at + 40])]
    of_run = run_warnings(Held(rows, bench.events), profile, DAY)
    if off is None:
        assert new == [] and of_run == []
        return
    [live] = new  # reported once
    assert live.code == "motor_disagrees" and [f.code for f in of_run] == ["motor_disagrees"]
    assert f" {off}" in live.sentence and "known weight" in live.fix
    # A new calibration restarts the comparison; with the true one there is nothing to report.
    watch.event(
        {
            "kind": "calibration",
            "time_s": 0.0,
            "calibration": PROFILE.calibration.model_dump(mode="json"),
        }
    )
    assert watch.warnings == {}


def held_still(gap_N: float, seconds: float) -> np.ndarray:
    rows = np.zeros((int(seconds * 100), len(COLUMNS)))
    rows[:, INDEX["time_s"]] = np.arange(len(rows)) / 100
    rows[:, INDEX["state"]] = State.RUNNING
    rows[:, INDEX["spring_force_N"]] = 200.0
    rows[:, INDEX["motor_force_N"]] = 200.0 + gap_N
    rows[:, INDEX["force_u95_N"]] = 3.0
    return rows


def test_at_rest_only_what_friction_cannot_hold_counts_and_only_for_long() -> None:
    # 59 N: breakaway over the lead, and the screw's loss of 0.18 of the force. A tenth of the force
    # for the torque constant and 3 N for the springs are added.
    breakaway = PROFILE.actuator.friction.breakaway
    [friction] = MotorBand(PROFILE)(np.array([200.0]), np.array([0.0]))
    assert friction == pytest.approx(breakaway / 0.01 * 2 * np.pi + 0.18 * 200.0)
    for gap, seconds, warns in ((60, 40, False), (140, 15, False), (140, 40, True)):
        watch = DriftWatch(PROFILE, DAY)
        rows = held_still(gap, seconds)
        for at in range(0, len(rows), 50):
            watch.rows(rows[at : at + 50])
        assert ("motor_disagrees" in watch.warnings) is warns
    # The warning goes once the forces have agreed for a window.
    rows = held_still(0.0, 70.0)
    rows[:, INDEX["time_s"]] += 50.0
    for at in range(0, len(rows), 50):
        watch.rows(rows[at : at + 50])
    assert watch.warnings == {}


def test_samples_that_say_nothing_do_no_harm() -> None:
    watch = DriftWatch(PROFILE, DAY)
    rows = np.full((50, len(COLUMNS)), np.nan)
    assert watch.rows(rows) == [] and watch.rows(rows[:0]) == []
    watch.event({"kind": "calibration", "calibration": {"zero": "x"}})
    watch.event({"kind": "marker"})
    assert watch.warnings == {}


def test_the_zero_is_looked_at_when_it_is_said_that_nothing_acts() -> None:
    """A marker 'no load' is set while the lever is held up; the sensor's own zero is at 2048.

    Friction of the screw keeps the springs a count or two from zero.
    """
    bench = LockstepBench(PROFILE)
    bench.environment.support_load(True)
    rows = bench.run(0.5)
    off = PROFILE.calibration.model_copy(update={"zero": 2036.0})
    bench.request(Marker(text="no load"))
    rows += bench.run(0.7)
    assert run_warnings(Held(np.array(rows), bench.events), PROFILE, DAY) == []
    assert bench.request(UseCalibration(calibration=off.model_dump(mode="json"))).accepted
    rows += bench.run(0.2)
    bench.request(Marker(text="no load"))
    rows += bench.run(0.7)
    [found] = run_warnings(Held(np.array(rows), bench.events), PROFILE, DAY)
    assert found.code == "zero_moved"
    read = re.search(r"reads ([-+\d.]+) counts", found.sentence)
    assert read is not None and float(read[1]) == pytest.approx(12.0, abs=3.0)
