"""Verdicts on figures, from made rows and from faulty sessions on the simulated rig."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hil.analysis import Measured, figure_line, measure
from hil.analysis.verdicts import Code, late_share
from hil.bench import LockstepBench
from hil.core import COLUMNS, Limit, Marker, Sample
from hil.procedures import Ask, LockstepRunner, Procedure
from hil.profile import Profile, load_profile, profile_to_dict
from hil.recorder import RunWriter, load_run
from hil.sequences import load_sequence, perform

N = 4000
SESSION = """\
name: craft
steps:
  - {do: hang, mass: 2.5 kg, for: 0.2 s}
  - power_on
  - {do: hold_position, position: 27.5 mm, speed: 30 mm/s, for: 1.8 s}
  - do: constant_force
    force: 210 N
    damping: 0.6 N*s/mm
    for: 2 s
    settle: 0.8 s
    measure: weight
    tolerance: 3 %
  - do: virtual_spring
    stiffness: 40 N/mm
    rest: 27.5 mm
    bias: 210 N
    damping: 1 N*s/mm
    push: {force: 12 N, frequency: 1 Hz}
    for: 2.3 s
    settle: 0.8 s
    measure: spring
    tolerance: 1.2 N/mm
  - power_off
"""


class MadeRun:
    """A run in memory: state Running, no limits active, cycles on time."""

    def __init__(self, **columns: Any) -> None:
        self.columns = {column.name: np.zeros(N) for column in COLUMNS}
        self.columns["time_s"] = np.arange(N) / 1000.0
        self.columns["cycle"] = np.arange(1.0, N + 1)
        self.columns["state"] = np.full(N, 2)
        self.columns["force_u95_N"] = np.full(N, 3.0)
        self.columns["setpoint_force_N"] = np.full(N, 200.0)
        self.columns["spring_force_N"] = 200.0 + np.random.default_rng(1).normal(0, 0.5, N)
        self.columns |= columns
        self.events: list[dict[str, Any]] = []

    def column(self, name: str) -> Any:
        return self.columns[name]

    def force(self, **values: float) -> MadeRun:
        for moment, cycle in (("begin", 500), ("steady", 1000), ("end", 3000)):
            self.events.append(
                {
                    "kind": "marker",
                    "text": f"{moment} constant_force: f",
                    "cycle": cycle,
                    "values": {"setpoint_N": 200.0, **values},
                }
            )
        return self


def verdict_of(run: MadeRun) -> Any:
    [figure] = measure(run).figures
    return figure.verdict


def test_a_free_run_inside_its_tolerance_is_good_and_states_its_uncertainty() -> None:
    measured = measure(MadeRun().force())
    [figure] = measured.figures
    assert measured.good and figure.verdict.code is Code.GOOD
    assert figure.verdict.tolerance == pytest.approx(10.0)
    assert figure.verdict.u95 == pytest.approx(3.0, abs=0.1)
    line = figure_line(figure)
    assert "200.0 ± 3.0 N" in line and "tolerance ± 10 N" in line and "good" in line


@pytest.mark.parametrize("share", [0.0, 0.005, 0.02, 1.0])
def test_a_limit_that_acts_disturbs_a_figure_however_good_its_number(share: float) -> None:
    limited = np.zeros(N, dtype=int)
    limited[1000 : 1000 + round(2000 * share)] = 1 << Limit.TRAVEL | 1 << Limit.DAMPING
    verdict = verdict_of(MadeRun(limited=limited).force())
    assert verdict.code is (Code.LIMITED if share > 0.01 else Code.GOOD)
    assert ("travel" in verdict.text) == (share > 0.01)
    assert "damping" not in verdict.text  # a damping limit does not change a mean


def test_a_limit_outside_the_steady_part_disturbs_nothing() -> None:
    limited = np.zeros(N, dtype=int)
    limited[500:1000] = limited[3000:] = 1 << Limit.FORCE
    assert verdict_of(MadeRun(limited=limited).force()).good


def test_outside_its_tolerance_swinging_or_off() -> None:
    off = verdict_of(MadeRun(spring_force_N=np.full(N, 62.0)).force())
    assert off.code is Code.OUTSIDE and "-138 N off" in off.text
    swing = 580.0 * np.sin(2 * np.pi * 5 * np.arange(N) / 1000.0)
    swinging = verdict_of(MadeRun(spring_force_N=200.0 + swing).force(tolerance=50.0))
    assert swinging.code is Code.OUTSIDE and "swings by 410 N rms" in swinging.text
    assert not swinging.disturbed


def test_a_number_that_is_none_is_never_good() -> None:
    assert not verdict_of(MadeRun(spring_force_N=np.full(N, np.nan)).force()).good


def test_a_tolerance_tighter_than_the_uncertainty_is_not_shown_by_luck() -> None:
    verdict = verdict_of(MadeRun().force(tolerance=2.0))
    assert verdict.code is Code.TOO_LITTLE and "exceeds the tolerance of 2 N" in verdict.text


def test_a_stop_or_power_off_in_between_disturbs() -> None:
    run = MadeRun().force()
    run.events.append({"kind": "stop", "cause": "Supply low", "detail": "", "cycle": 2000})
    verdict = verdict_of(run)
    assert verdict.code is Code.STOPPED and "supply low" in verdict.text
    state = np.full(N, 2)
    state[1500:1600] = 1
    assert verdict_of(MadeRun(state=state).force()).code is Code.STOPPED


def test_late_old_and_lost_samples_are_counted() -> None:
    time_s = np.arange(N) / 1000.0
    late = time_s.copy()
    late[1000:3000:5] += 0.0009
    verdict = verdict_of(MadeRun(time_s=late).force())
    assert verdict.code is Code.LATE and "20 %" in verdict.text
    few = time_s.copy()
    few[1000:3000:20] += 0.0009
    assert verdict_of(MadeRun(time_s=few).force()).good
    # A few late cycles are reported once the figure is outside its tolerance.
    outside = verdict_of(MadeRun(time_s=few, spring_force_N=np.full(N, 150.0)).force())
    assert outside.code is Code.LATE and "outside its tolerance" in outside.text
    # 20 ms pauses ten times a second: a fifth of the time, but only one row in a hundred.
    pauses = time_s.copy()
    for at in range(1000, 3000, 80):
        pauses[at:] += 0.02
    assert verdict_of(MadeRun(time_s=pauses).force()).code is Code.LATE
    rare = time_s.copy()
    for at in range(1000, 3000, 980):
        rare[at:] += 0.02
    assert verdict_of(MadeRun(time_s=rare).force()).good
    age = np.full(N, 0.001)
    age[1000:3000:4] = 0.0035
    assert late_share(MadeRun(telemetry_age_s=age), 1000, 3000) == pytest.approx(0.25, abs=0.01)
    cycle = np.arange(1, N + 1)
    cycle[2000:] += 1000
    lost = MadeRun(cycle=cycle, time_s=cycle / 1000.0)
    assert late_share(lost, 1000, 3000) == pytest.approx(1 / 3, abs=0.01)


# ------------------------------------------------------------ sessions on the simulated rig


@pytest.fixture(scope="module")
def profile() -> Profile:
    return load_profile("footplate_trainer")


class LateBench(LockstepBench):
    """A bench that oversleeps: one cycle in seven is 2 ms late while the drive continues."""

    def step(self) -> Sample:
        row = super().step()
        if self.cycle % 7 == 0:
            for _ in range(2):
                self.drive.read(self.time_s)
                self.drive.write(self.bench.command)
                self.cycle += 1
        return row


def performed(
    tmp_path: Path,
    profile: Profile,
    bench: LockstepBench,
    disturb: Callable[[str], None] = lambda _marker: None,
) -> Measured:
    file = tmp_path / "s.yaml"
    file.write_text(SESSION)
    sequence = load_sequence(file)

    def watched(procedure: Procedure) -> Procedure:
        seen = None
        while True:
            try:
                action = procedure.send(seen)  # type: ignore[arg-type]
            except StopIteration as end:
                return end.value
            seen = yield action
            if isinstance(action, Ask) and isinstance(action.request, Marker):
                disturb(action.request.text)

    with RunWriter(tmp_path, "craft", {"profile": profile_to_dict(profile)}) as writer:
        LockstepRunner(bench, writer).run(watched(perform(sequence, profile)))
    assert writer.path is not None
    return measure(load_run(writer.path), sequence.figures)


def test_a_session_that_nothing_disturbs_is_good(tmp_path: Path, profile: Profile) -> None:
    measured = performed(tmp_path, profile, LockstepBench(profile, 2))
    assert measured.good, [figure_line(figure) for figure in measured.figures]
    weight, spring = measured.figures
    assert weight.verdict.tolerance == pytest.approx(6.3)
    assert spring.verdict.tolerance == pytest.approx(1.2)
    assert measured.as_data()["figures_good"] is True


def test_a_narrow_limit_is_named_beside_what_it_spoils(tmp_path: Path, profile: Profile) -> None:
    force = profile.limits.force.model_copy(update={"limited": 265.0})
    limits = profile.limits.model_copy(update={"force": force})
    narrow = profile.model_copy(update={"limits": limits})
    measured = performed(tmp_path, narrow, LockstepBench(narrow, 2))
    weight, spring = measured.figures
    assert (weight.verdict.code, spring.verdict.code) == (Code.GOOD, Code.LIMITED)
    assert "force" in spring.verdict.text
    line = figure_line(spring)
    # The force stays at its limit: the measured stiffness is far from the one set.
    assert "NO FIGURE" in line and f"({spring.values['measured_N_per_mm']:.1f} ±" in line


def test_a_weight_that_comes_off_while_it_is_measured(tmp_path: Path, profile: Profile) -> None:
    bench = LockstepBench(profile, 2)

    def take_off(marker: str) -> None:
        if marker.startswith("steady constant_force"):
            bench.environment.hang(0.0)

    measured = performed(tmp_path, profile, bench, take_off)
    assert not measured.good
    assert all(f.name != "weight" or not f.verdict.good for f in measured.figures)


def test_cycles_that_come_late_are_named(tmp_path: Path, profile: Profile) -> None:
    measured = performed(tmp_path, profile, LateBench(profile, 2))
    assert measured.figures
    assert all("late samples" in f.verdict.text for f in measured.figures)
    assert not measured.good


def test_a_trip_before_the_end_is_the_reason_why_a_figure_is_missing(
    tmp_path: Path, profile: Profile
) -> None:
    bench = LockstepBench(profile, 2)

    def fault(marker: str) -> None:
        if marker.startswith("steady virtual_spring"):
            bench.environment.disturb("drive_fault", 0x2310)

    measured = performed(tmp_path, profile, bench, fault)
    assert [f.verdict.code for f in measured.figures] == [Code.GOOD]
    [missing] = measured.missing
    assert "spring" in missing and "drive fault" in missing
    assert not measured.good
