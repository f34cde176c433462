"""Cycle counting, damage, trends and dates, the journal, and an endurance run in lockstep."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.bench import LockstepBench
from hil.core import State
from hil.procedures import Ended, LockstepRunner
from hil.profile import load_profile
from hil.sequences import load_sequence
from hil.wear import (
    Callbacks,
    Journal,
    JournalError,
    Plan,
    SpringLife,
    Trend,
    Until,
    endure,
    rainflow,
    screw_damage,
    write_summary,
)

PROFILE = load_profile("footplate_trainer")
LIFT = """\
name: lift
steps:
  - {do: hang, mass: 2.5 kg, for: 0.1 s}
  - power_on
  - {do: hold_position, position: 12 mm, speed: 60 mm/s, for: 0.5 s}
  - {do: hold_position, position: 40 mm, speed: 120 mm/s, for: 0.5 s}
  - {do: hold_position, position: 12 mm, speed: 120 mm/s, for: 0.5 s}
  - {do: hold_position, position: 3 mm, speed: 60 mm/s, for: 0.4 s}
  - power_off
"""
HEAD = {"sequence": "lift", "profile": "p"}


# ------------------------------------------------------------------ rainflow and damage


def test_the_worked_example_of_the_standard() -> None:
    # ASTM E1049-85, figure 6 and table X, from memory.
    counted = rainflow(np.array([-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]))
    table: dict[float, float] = {}
    for size, _mean, count in counted:
        table[size] = table.get(size, 0.0) + count
    assert table == {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=60))
def test_every_reversal_is_counted_once(values: list[float]) -> None:
    counted = rainflow(np.array(values))
    series = np.array(values)
    series = series[np.concatenate(([True], np.diff(series) != 0))]
    turns = int((np.diff(np.sign(np.diff(series))) != 0).sum()) + 1 if len(series) > 1 else 0
    assert 2.0 * sum(count for *_, count in counted) == pytest.approx(turns)
    if counted:
        assert max(size for size, *_ in counted) == pytest.approx(np.ptp(series))
    # Neither a repeated value nor a missing one changes the count.
    again = rainflow(np.repeat(np.append(series, np.nan), 2))
    assert again == counted


def test_damage_adds_up_to_a_life() -> None:
    line = SpringLife(range_N=200.0, cycles=1e6, exponent=8.0)
    one = np.concatenate([np.tile([0.0, 200.0], 1000), [0.0]])
    assert line.damage(one) == pytest.approx(1e-3, rel=1e-6)
    assert line.damage(0.5 * one) == pytest.approx(1e-3 / 2**8, rel=1e-6)
    # One turn at a tenth of C takes 0.1³ of the 10⁻⁶ of the L10 life that a turn at C takes.
    nut = np.linspace(0.0, 0.010, 50)
    assert screw_damage(np.full(50, 500.0), nut, 0.010, 5000.0) == pytest.approx(1e-9)


# ------------------------------------------------------------------ trends


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("kind", ["drift", "step"])
def test_a_change_is_found_and_dated(kind: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    trend, onset = Trend("friction_N"), 100_000.0
    for at in np.arange(0.0, 400_000.0, 1000.0):
        more = max(0.0, at - onset) * 2e-4 if kind == "drift" else 4.0 * (at >= onset)
        if trend.add(at, 20.0 + more + rng.normal(0.0, 1.0)) is not None:
            break
    change = trend.change
    assert change is not None and change.found_at < 128_000.0
    for _ in range(10):  # more data improve the date
        at += 1000.0
        more = max(0.0, at - onset) * 2e-4 if kind == "drift" else 4.0
        trend.add(at, 20.0 + more + rng.normal(0.0, 1.0))
    dated = trend.dated(at)
    assert dated.onset == pytest.approx(onset, rel=0.05)
    assert dated.onset_low <= dated.onset <= dated.onset_high


def test_without_a_change_there_is_no_alarm() -> None:
    false = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        trend = Trend("friction_N")
        for at, value in enumerate(rng.normal(20.0, 1.0, 1000)):
            trend.add(float(at), float(value))
        false += trend.change is not None
    assert false <= 1  # out of 100 000 values


def test_values_that_are_missing_are_left_out() -> None:
    trend = Trend("friction_N", baseline=3)
    for at, value in enumerate([1.0, np.nan, 1.1, 0.9, np.inf, 1.0]):
        assert trend.add(float(at), value) is None
    assert len(trend.values) == 4


# ------------------------------------------------------------------ journal


def test_a_journal_keeps_its_count_when_the_last_line_is_cut_off(tmp_path: Path) -> None:
    file = tmp_path / "journal.jsonl"
    journal = Journal(file, HEAD, go_on=False)
    for count in (1, 2, 3):
        journal.write({"kind": "cycles", "count": count, "seconds": 2.0 * count, "damage": {}})
    journal.close()
    whole = file.read_bytes()
    for cut in range(len(whole.splitlines(keepends=True)[-1])):
        file.write_bytes(whole[: len(whole) - cut])
        again = Journal(file, HEAD, go_on=True)
        assert (again.count, again.seconds) == ((3, 6.0) if cut == 0 else (2, 4.0))
        again.write({"kind": "cycles", "count": again.count + 1, "seconds": 9.0, "damage": {}})
        again.close()
        lines = file.read_bytes().splitlines()
        assert [json.loads(line)["kind"] for line in lines][:2] == ["head", "cycles"]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (b'{"kind":"cycles"}\n', r"journal.jsonl:2: damaged"),
        (b"\x00\x00\n", r"journal.jsonl:2: damaged"),
        (b"[" * 60_000 + b"\n", r"journal.jsonl:2: damaged"),
        (b'{"kind":"cycles","count":-1,"seconds":0}\n', r"journal.jsonl:2: damaged"),
        (b'{"kind":"cycles","count":1,"seconds":1,"damage":[1]}\n', r"journal.jsonl:2: damaged"),
    ],
)
def test_a_damaged_journal_is_refused_with_its_line(tmp_path: Path, text: bytes, what: str) -> None:
    file = tmp_path / "journal.jsonl"
    Journal(file, HEAD, go_on=False).close()
    good = file.read_bytes()
    file.write_bytes(good + text + b'{"kind":"ended"}\n')
    with pytest.raises(JournalError, match=what):
        Journal(file, HEAD, go_on=True)


def test_a_journal_of_something_else_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "journal.jsonl"
    Journal(file, HEAD, go_on=False).close()
    with pytest.raises(JournalError, match="--go-on continues its count"):
        Journal(file, HEAD, go_on=False)
    with pytest.raises(JournalError, match="another profile"):
        Journal(file, HEAD | {"profile": "q"}, go_on=True)


def test_two_do_not_count_in_one_journal(tmp_path: Path) -> None:
    file = tmp_path / "journal.jsonl"
    first = Journal(file, HEAD, go_on=False)
    first.write({"kind": "cycles", "count": 7, "seconds": 1.0, "damage": {}})
    with pytest.raises(JournalError, match="another process writes it"):
        Journal(file, HEAD, go_on=True)
    first.write({"kind": "cycles", "count": 8, "seconds": 1.1, "damage": {}})
    first.close()
    again = Journal(file, HEAD, go_on=True)
    assert again.count == 8
    again.close()


# ------------------------------------------------------------------ in lockstep


class Rig:
    def __init__(self, tmp_path: Path, go_on: bool = False) -> None:
        file = tmp_path / "lift.yaml"
        file.write_text(LIFT)
        self.sequence = load_sequence(file)
        self.bench = LockstepBench(PROFILE, 1)
        self.journal = Journal(tmp_path / "journal.jsonl", HEAD, go_on)
        self.callbacks = Callbacks()
        self.page = tmp_path / "summary.html"
        self.callbacks.summary = lambda: write_summary(
            self.page, "lift", self.journal, self.callbacks.trends
        )

    def run(self, plan: Plan) -> Ended:
        procedure = endure(self.sequence, PROFILE, plan, self.journal, self.callbacks)
        return LockstepRunner(self.bench).run(procedure)


def test_the_signs_follow_the_rig_and_damage_is_counted(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    worn = {0: (1.0, 1.0), 1: (1.5, 1.0), 2: (1.0, 0.96)}

    def wear(count: int) -> None:
        friction, spring = worn[count]
        rig.bench.environment.disturb("friction_factor", friction)
        rig.bench.environment.disturb("spring_factor", spring)

    rig.callbacks.before = wear
    plan = Plan(cycles=3, measure_every=1, spring=SpringLife(200.0, 1e6), screw_rating_N=5e3)
    ended = rig.run(plan)
    assert ended.how == "finished" and ended.value.why == "count", ended.text
    sound, rough, soft = (e for e in rig.journal.entries if e["kind"] == "signs")
    # 0.02 N·m of dry friction at a lead of 10 mm is 12.6 N; half of it is added.
    assert 4.0 < rough["friction_N"] - sound["friction_N"] < 14.0
    assert sound["stiffness_N_m"] == pytest.approx(120e3, rel=0.06)
    assert soft["stiffness_N_m"] / sound["stiffness_N_m"] == pytest.approx(0.96, abs=0.03)
    assert abs(sound["zero_m"]) < 100e-6
    assert 0.2 < sound["noise_counts"] < 2.0
    assert 0.0 < rig.journal.damage["screw"] < 1e-6 and rig.journal.damage["springs"] > 0.0
    page = rig.page.read_text()
    assert "Ended (count): 3 cycles" in page and "<svg" in page
    rig.journal.close()


def test_the_rig_is_worn_as_far_as_the_cycle_that_is_looked_at(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    worn: list[int] = []
    rig.callbacks.before = worn.append
    rig.run(Plan(cycles=200, measure_every=100, stands_for=100))
    counts = [entry["count"] for entry in rig.journal.entries if entry["kind"] == "signs"]
    assert counts == [100, 200] and worn == [99, 199]
    rig.journal.close()


def test_it_rests_by_heat_and_a_stop_ends_it_without_losing_the_count(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    supervisor = rig.bench.bench.supervisor
    heated = []

    def before(count: int) -> None:
        if count == 1:
            supervisor.heat.begin(0.40, 0.0)
        if count == 2:
            heated.append(supervisor.motor_heat)
            rig.bench.bench.stop(40, "operator")

    rig.callbacks.before = before
    ended = rig.run(Plan(cycles=9, rest_above=0.35, rest_below=0.345))
    assert ended.how == "stopped"
    assert heated and heated[0] <= 0.345  # cooled during the rest
    rig.journal.close()
    again = Rig(tmp_path, go_on=True)
    assert again.journal.count == 2
    ended = again.run(Plan(cycles=3))
    assert ended.value.why == "count" and again.journal.count == 3
    how = [e["how"] for e in again.journal.entries if e["kind"] == "ended"]
    assert how == ["stopped", "count"]
    assert again.bench.bench.state is State.DE_ENERGISED
    again.journal.close()


def test_a_measured_value_is_enough(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    until = Until("output_position", high=0.035, words="output position above 35 mm")
    ended = rig.run(Plan(until=until))
    assert ended.value.why == "value" and re.search("35 mm", ended.value.text)
    rig.journal.close()
