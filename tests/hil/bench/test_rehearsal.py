"""Rehearsed faults: read strictly, injected on time, removed at their end."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from drivers.simulated import DISTURBANCES
from hil.bench import LockstepAxes, LockstepBench, Rehearsal, known_faults, load_rehearsal
from hil.core import INDEX, Apply, HoldPosition, PowerOn, State
from hil.profile import ProfileError, load_axes, load_profile


def written(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "faults.yaml"
    file.write_text(text)
    return file


def rehearsal(tmp_path: Path, *entries: str) -> Rehearsal:
    return load_rehearsal(written(tmp_path, "faults:\n" + "".join(f"  - {e}\n" for e in entries)))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("{at: 1 s, what: encoder_forzen}", "did you mean 'encoder_frozen'"),
        ("{at: 1 s}", "'what' is missing"),
        ("{at: 5, what: late}", "no unit"),
        ("{at: 1 s, what: pause}", "length"),
        ("{at: 1 s, what: pause, length: 30 ms, every: 20 ms}", "overlap"),
        ("{at: 1 s, what: late, share: 1.5}", "share"),
        ("{at: 1 s, what: hang, mass: 5 N}", "kg"),
        ("{at: 1 s, what: lost}", "share"),
        ("{at: 1 s, what: block, force: 3}", "unknown key"),
        ("{at: 1 s, what: push, force: 5 N, for: -1 s}", "greater than 0"),
    ],
)
def test_a_wrong_entry_is_one_line_with_place_and_fix(
    tmp_path: Path, entry: str, words: str
) -> None:
    file = written(tmp_path, f"faults:\n  - {{at: 0 s, what: block}}\n  - {entry}\n")
    with pytest.raises(ProfileError) as caught:
        load_rehearsal(file)
    (line,) = str(caught.value).splitlines()
    assert line.startswith(f"{file}:3") and "faults[1]" in line and words in line


def test_every_disturbance_of_the_rig_can_be_rehearsed(tmp_path: Path) -> None:
    assert set(DISTURBANCES) < set(known_faults())
    entries = [f"{{at: 1 s, what: {name}, value: 0}}" for name in DISTURBANCES]
    assert len(rehearsal(tmp_path, *entries).faults) == len(DISTURBANCES)


def test_faults_come_and_go_in_time(tmp_path: Path) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    told: list[str] = []
    plan = rehearsal(
        tmp_path,
        "{at: 300 ms, what: deflection_jump_counts, value: 7, for: 200 ms}",
        "{at: 100 ms, what: emergency_stop, for: 50 ms}",
        "{at: 0 s, what: hang, mass: 2.5 kg}",
    )
    bench.run(0.05)
    bench.rehearse(plan, told.append)
    rows = bench.run(0.7)
    counts = [row[INDEX["deflection_counts"]] for row in rows]
    assert bench.environment.disturbances["deflection_jump_counts"] == 0.0
    assert abs(sum(counts[320:480]) / 160 - sum(counts[550:650]) / 100 - 7) < 2
    assert not bench.environment.stop_pressed
    assert [line.split(": ")[1] for line in told] == [
        "hang begins",
        "emergency_stop begins",
        "emergency_stop ends",
        "deflection_jump_counts begins",
        "deflection_jump_counts ends",
    ]


def test_a_pause_and_late_cycles_happen_in_lockstep(tmp_path: Path) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    plan = rehearsal(
        tmp_path,
        "{at: 200 ms, what: pause, length: 30 ms, stale: 0, for: 300 ms}",
        "{at: 600 ms, what: late, share: 0.2, up_to: 4 ms, for: 300 ms}",
    )
    bench.rehearse(plan, lambda _text: None)
    time_s = [row[INDEX["time_s"]] for row in bench.run(1.5)]
    steps = [b - a for a, b in itertools.pairwise(time_s)]
    assert sum(step > 0.025 for step in steps) == 1
    assert sum(0.0015 < step < 0.006 for step in steps) >= 5
    late = [t for t, step in zip(time_s, steps, strict=False) if step > 0.0015]
    assert min(late) >= 0.19 and max(late) < 0.95


def test_a_long_pause_with_power_on_stops_the_rig(tmp_path: Path) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    bench.run(0.1)
    assert bench.request(PowerOn(load_supported=True)).accepted
    bench.run(0.5)
    assert bench.request(Apply(behaviour=HoldPosition(position_m=0.02, speed_m_s=0.05))).accepted
    bench.run(0.3)
    bench.rehearse(rehearsal(tmp_path, "{at: 0 s, what: pause, length: 300 ms}"), lambda _t: None)
    bench.run(0.3)
    assert bench.bench.state is State.STOPPED


def test_lost_samples_never_arrive(tmp_path: Path) -> None:
    bench = LockstepBench(load_profile("footplate_trainer"))
    plan = rehearsal(tmp_path, "{at: 100 ms, what: lost, share: 0.3, for: 500 ms}")
    bench.rehearse(plan, lambda _text: None)
    ages = [row[INDEX["telemetry_age_s"]] for row in bench.run(0.9)]
    old = [i for i, age in enumerate(ages) if age > 0.0005]
    assert 100 < len(old) < 200 and min(old) >= 98 and max(old) <= 602
    assert any(age > 0.0015 for age in ages)  # two lost samples in a row


AXES = ("heel", "toe")


def test_a_fault_may_name_its_axis(tmp_path: Path) -> None:
    file = written(
        tmp_path,
        "faults:\n  - {at: 0 s, what: hang, mass: 2 kg, axis: toe}\n"
        "  - {at: 0 s, what: late, share: 0.1, up_to: 4 ms}\n",
    )
    plan = load_rehearsal(file, AXES)
    assert [fault.what for fault in plan.of_axis("heel").faults] == ["late"]
    assert [fault.what for fault in plan.of_axis("toe").faults] == ["hang", "late"]
    # Live, one process is held up for all axes.
    assert [fault.what for fault in plan.of_axis("toe", late=False).faults] == ["hang"]


@pytest.mark.parametrize(
    ("entry", "axes", "words"),
    [
        ("{at: 1 s, what: block, axis: heal}", AXES, "write one of: heel, toe"),
        ("{at: 1 s, what: block, axis: heel}", (), "leave 'axis' out"),
        ("{at: 1 s, what: pause, length: 30 ms, axis: heel}", AXES, "leave 'axis' out"),
    ],
)
def test_a_wrong_axis_is_refused(
    tmp_path: Path, entry: str, axes: tuple[str, ...], words: str
) -> None:
    file = written(tmp_path, f"faults:\n  - {entry}\n")
    with pytest.raises(ProfileError) as caught:
        load_rehearsal(file, axes)
    (line,) = str(caught.value).splitlines()
    assert line.startswith(f"{file}:2") and "axis" in line and words in line


def test_faults_of_one_axis_reach_it_alone(tmp_path: Path) -> None:
    both = LockstepAxes(load_axes("two_axes"))
    file = written(
        tmp_path,
        "faults:\n  - {at: 100 ms, what: hang, mass: 2 kg, axis: toe, for: 100 ms}\n"
        "  - {at: 100 ms, what: pause, length: 30 ms}\n",
    )
    told: list[str] = []
    both.rehearse(load_rehearsal(file, AXES), told.append)
    both.run(0.15)
    rigs = {name: bench.drive.core for name, bench in both.benches.items()}
    assert rigs["toe"].physics.hung_mass_kg == 2.0 and rigs["heel"].physics.hung_mass_kg == 0.0
    assert [bench.late_cycles for bench in both.benches.values()] == [1, 1]
    both.run(0.2)
    assert rigs["toe"].physics.hung_mass_kg == 0.0
    assert "toe: rehearsed fault: hang begins" in told and "heel: " not in "".join(
        line for line in told if "hang" in line
    )
