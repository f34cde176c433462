"""The law for velocity- or position-commanded drives, in C and Python, against the bench."""

from __future__ import annotations

import datetime
import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from hil.handover import HandoverError, hand_over
from hil.handover.operations import longest_row, worst_case
from hil.handover.package import law_of
from hil.handover.translated import ENTRIES, Graph
from hil.handover.vectors import INPUTS, outputs_of
from hil.procedures import LockstepRunner
from hil.profile import load_profile
from hil.sequences import load_sequence, perform
from tests.hil.handover.c_syntax import Operations, unit_of
from tests.hil.handover.in_package import python_law, ran, run_pytest
from tests.hil.handover.law_in_loop import LawInLoop, built

compiler = pytest.mark.skipif(
    not (shutil.which("gcc") and shutil.which("make")), reason="no gcc: the C law is not checked"
)
OUTPUTS = outputs_of(True)


@pytest.fixture(scope="module", params=["footplate_velocity", "footplate_position"])
def handed(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("by_loop") / "law"
    profile = load_profile(request.param)
    today = {"dated": datetime.date.today().isoformat()}
    calibration = profile.calibration.model_copy(update=today)
    profile = profile.model_copy(update={"calibration": calibration})
    hand_over(profile, folder, datetime.date(2026, 2, 1), request.param)
    return folder


def test_the_session_of_the_vectors_moves_by_velocity(handed: Path) -> None:
    law = python_law(handed)
    assert tuple(law.OUTPUTS) == OUTPUTS and "torque_N_m" not in OUTPUTS
    for name in ("in_time", "late"):
        inputs, outputs = law.read_vectors(handed / "vectors" / f"{name}.csv")
        assert inputs[:, INPUTS.index("closed")].mean() > 0.8
        velocity = outputs[:, OUTPUTS.index("velocity_m_s")]
        assert np.ptp(velocity) > 0.05 and np.all(np.isfinite(velocity))
        assert np.ptp(outputs[:, OUTPUTS.index("spring_force_N")]) > 50


def test_the_python_law_answers_as_the_bench(handed: Path) -> None:
    done = ran(sys.executable, "test_law.py", cwd=handed / "python")
    assert (done.returncode, done.stdout) == (0, "passed\n"), done.stderr


@compiler
def test_the_c_law_answers_as_the_bench_in_both_precisions(handed: Path, tmp_path: Path) -> None:
    for name in ("c", "vectors"):
        shutil.copytree(handed / name, tmp_path / name)
    done = ran("make", "CC=gcc", "check", "sanitize", cwd=tmp_path / "c")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": passed") == 6


@compiler
def test_operations_are_those_that_a_parser_of_c_counts(handed: Path) -> None:
    name = f"footplate_{json.loads((handed / 'law.json').read_text())['control']['source']}"
    law, _ = law_of(load_profile(name))
    stated = worst_case(law)
    counter = Operations(unit_of(handed / "c"), longest_row(Graph(law)))
    for entry in ENTRIES:
        found = {kind: n for kind, n in counter.of(f"Law_{entry}").items() if n}
        assert found == stated[entry], entry


def test_the_readme_says_what_the_drive_is_to_be_sent(handed: Path) -> None:
    text = " ".join((handed / "README.md").read_text().split())
    data = json.loads((handed / "law.json").read_text())
    commanded = "commanded " if data["control"]["source"] == "position" else ""
    assert f"`velocity_m_s` is the {commanded}velocity of the nut" in text
    assert ("from one position to the next" in text) == (data["control"]["source"] == "position")
    gain = 2 * math.pi * data["control"]["position_loop"]["bandwidth"]
    assert (repr(gain) in text) == (data["control"]["source"] == "position")


def test_the_packages_own_tests_pass_and_open_no_rig(handed: Path, tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").write_text("adapter: none.py:none\n")
    copy = Path(shutil.copytree(handed, tmp_path / "law"))
    done = run_pytest(copy, f"--rig={tmp_path / 'rig.yaml'}")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "these tests command torque" in done.stdout


@compiler
def test_the_simulated_rig_under_the_c_law_runs_as_under_the_bench(
    handed: Path, tmp_path: Path
) -> None:
    source = json.loads((handed / "law.json").read_text())["control"]["source"]
    if source == "velocity":
        pytest.skip("the same law; a position holds its drive's loop as well")
    profile = load_profile(f"footplate_{source}")
    sequence = load_sequence("demo").fitted(18.0)
    bench = LawInLoop(built(handed, tmp_path), profile, 1)
    ended = LockstepRunner(bench).run(perform(sequence, profile))
    assert ended.how == "finished", ended
    assert bench.cycles > 4000
    assert bench.tripped == set()
    assert bench.worst_m_s < 1e-9


def test_a_profile_with_torque_feedforward_is_refused(tmp_path: Path) -> None:
    profile = load_profile("footplate_velocity")
    control = profile.control.model_copy(update={"torque_feedforward": 0.5})
    with pytest.raises(HandoverError, match=r"Fix: set control\.torque_feedforward to 0"):
        hand_over(profile.model_copy(update={"control": control}), tmp_path / "law")
