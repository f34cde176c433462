"""The package of a geared actuator: laws, robot description, vectors, acceptance on its rig."""

from __future__ import annotations

import datetime
import json
import math
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from drivers.motion import speak
from hil.analysis import figure_line, measure
from hil.handover import hand_over, receive, take_profile
from hil.handover.vectors import OUTPUTS
from hil.procedures import LockstepRunner
from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunWriter, load_run
from hil.sequences import load_sequence, perform
from tests.hil.handover.in_package import (
    acts_of,
    guarded_rig,
    imported,
    python_law,
    ran,
    run_pytest,
)
from tests.hil.handover.law_in_loop import LawInLoop, built

NAME = "rotary_joint"
ARC_M = 0.0625
compiler = pytest.mark.skipif(
    not (shutil.which("gcc") and shutil.which("make")), reason="no gcc: the C law is not checked"
)


@pytest.fixture(scope="module")
def joint(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("joint") / "law"
    profile = load_profile(NAME)
    today = {"dated": datetime.date.today().isoformat()}
    calibration = profile.calibration.model_copy(update=today)
    profile = profile.model_copy(update={"calibration": calibration})
    speak("linear")  # a package is in its own units, whatever the process speaks of
    hand_over(profile, folder, datetime.date(2026, 2, 1), NAME)
    return folder


@pytest.fixture(autouse=True)
def linear_again() -> Iterator[None]:
    """A loaded profile sets the motion of the process; other tests expect a linear one."""
    yield
    speak("linear")


def test_the_python_law_answers_as_the_bench(joint: Path) -> None:
    done = ran(sys.executable, "test_law.py", cwd=joint / "python")
    assert (done.returncode, done.stdout) == (0, "passed\n"), done.stderr
    law = python_law(joint)
    for name in ("in_time", "late"):
        _, outputs = law.read_vectors(joint / "vectors" / f"{name}.csv")
        assert np.ptp(outputs[:, OUTPUTS.index("spring_force_N")]) * ARC_M > 3.0  # N·m
        assert math.degrees(np.ptp(outputs[:, OUTPUTS.index("output_position_m")]) / ARC_M) > 5


@compiler
def test_the_c_law_answers_as_the_bench_in_both_precisions(joint: Path, tmp_path: Path) -> None:
    for name in ("c", "vectors"):
        shutil.copytree(joint / name, tmp_path / name)
    done = ran("make", "CC=gcc", "check", "sanitize", cwd=tmp_path / "c")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": passed") == 6
    assert f"#define LAW_ARC_RADIUS_M {ARC_M!r}" in (joint / "c" / "law.h").read_text()


def test_the_robot_description_has_a_revolute_joint_in_rad_and_newton_metres(joint: Path) -> None:
    robot = ElementTree.parse(joint / "actuator.urdf").getroot()
    found = robot.find("joint")
    assert found is not None and found.get("type") == "revolute"
    limit, dynamics = found.find("limit"), found.find("dynamics")
    assert limit is not None and dynamics is not None
    # As the profile states them: 3 to 117 deg, 30 N*m, 200 deg/s; at the joint 50 times 0.018 N*m of
    # friction and 50² times 6e-5 N*m*s/rad.
    assert float(limit.get("lower", "")) == pytest.approx(math.radians(3))
    assert float(limit.get("upper", "")) == pytest.approx(math.radians(117))
    assert float(limit.get("effort", "")) == pytest.approx(30)
    assert float(limit.get("velocity", "")) == pytest.approx(math.radians(200))
    assert float(dynamics.get("friction", "")) == pytest.approx(0.9)
    assert float(dynamics.get("damping", "")) == pytest.approx(0.15)
    reduction = robot.findtext("transmission/actuator/mechanicalReduction")
    assert float(reduction or "") == pytest.approx(50)


def test_texts_of_the_package_are_in_the_words_of_a_joint(joint: Path) -> None:
    readme = (joint / "README.md").read_text()
    envelope = readme[readme.index("narrower than the profile") :].splitlines()[1]
    assert "N·m" in envelope and "°/s" in envelope and "m/s" not in envelope
    for word in ("revolute", "position/0.0625", "as the joint turns", "rad is gear position"):
        assert word in readme, word
    data = json.loads((joint / "law.json").read_text())
    assert data["signs"]["arc_radius_m"] == ARC_M
    assert "screw" not in data["reference"]["procedure"]
    assert data["limits"]["force"]["limited"] == pytest.approx(30)  # the profile's parts: N·m


def test_the_profile_comes_back_from_the_package(joint: Path, tmp_path: Path) -> None:
    back, _ = take_profile(receive(joint), tmp_path / "rig")
    sent = profile_to_dict(load_profile(NAME))
    found = profile_to_dict(back)
    for data in (sent, found):
        del data["drive"], data["calibration"]["dated"]
    assert found == sent


def test_the_packages_own_tests_pass(joint: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(joint, tmp_path / "law"))
    done = run_pytest(copy, "acceptance", "-k", "not c_law")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_rig_is_accepted_and_a_fault_is_named_in_its_units(
    joint: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    for mark in ("power", "motion", "hands", "builds_on"):
        request.config.addinivalue_line("markers", mark)
    tests = imported(joint, monkeypatch)
    guarded = guarded_rig(joint, profile=NAME)
    for act in acts_of(tests):
        act(guarded)
    guarded.close()
    units = {figure[-1] for figure in guarded.figures}
    assert {"N m", "deg"} <= units and not units & {"N", "mm"}
    assert not any("nut" in figure[1] or "force" in figure[1] for figure in guarded.figures)
    held = next(figure for figure in guarded.figures if figure[1] == "held torque")
    assert held[3] <= held[2] <= held[4] < 3.5  # N·m

    guarded = guarded_rig(joint, profile=NAME, faults=["springs_mixed"])
    with pytest.raises(AssertionError, match="springs, motor or calibration changed"):
        for act in acts_of(tests):
            act(guarded)
    guarded.close()


@compiler
def test_the_simulated_rig_under_the_c_law_gives_the_demos_figures(
    joint: Path, tmp_path: Path
) -> None:
    profile = load_profile(NAME)
    sequence = load_sequence("demo_rotary").fitted(20.0)
    bench = LawInLoop(built(joint, tmp_path), profile, 1)
    with RunWriter(tmp_path, "law", {"profile": profile_to_dict(profile)}) as writer:
        ended = LockstepRunner(bench, writer).run(perform(sequence, profile))
    assert ended.how == "finished", ended
    assert writer.path is not None
    measured = measure(load_run(writer.path), sequence.figures)
    assert measured.good, [figure_line(figure) for figure in measured.figures]
    assert bench.tripped == set() and bench.cycles > 10_000
    assert bench.worst_N_m < 1e-9 * bench.bench.peak_torque_N_m
