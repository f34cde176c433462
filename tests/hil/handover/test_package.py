"""The hand-over package against the bench, without this program, and after changes to it."""

from __future__ import annotations

import ast
import dataclasses
import datetime
import json
import shutil
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import yaml

from hil.analysis import figure_line, measure
from hil.handover import HandoverError, NotTranslatable, hand_over
from hil.handover.c_functions import CFunction
from hil.handover.law_file import LawFile
from hil.handover.package import law_of
from hil.handover.translated import Graph, Method
from hil.handover.vectors import INPUTS, OUTPUTS
from hil.procedures import LockstepRunner
from hil.profile import load_profile, profile_to_dict
from hil.recorder import RunWriter, load_run
from hil.sequences import load_sequence, perform
from tests.hil.handover.in_package import accepted, changed, python_law, ran, renewed
from tests.hil.handover.law_in_loop import LawInLoop, built

TEMPLATES = Path(__file__).parents[3] / "hil" / "handover" / "templates"
compiler = pytest.mark.skipif(
    not (shutil.which("gcc") and shutil.which("make")), reason="no gcc: the C law is not checked"
)


# ------------------------------------------------------------------------ both laws


def test_the_session_of_the_vectors_goes_through_much(package: Path) -> None:
    law = python_law(package)
    for name in ("in_time", "late"):
        inputs, outputs = law.read_vectors(package / "vectors" / f"{name}.csv")
        assert {0, 1, 2, 3} == set(inputs[:, INPUTS.index("begin")])
        assert inputs[:, INPUTS.index("closed")].mean() > 0.8
        assert np.ptp(outputs[:, OUTPUTS.index("spring_force_N")]) > 50
        assert len(set(outputs[:, OUTPUTS.index("limited")])) > 2
    steps = inputs[:, INPUTS.index("sample_dt_s")]
    assert (steps > 0.0015).any()
    assert (inputs[:, INPUTS.index("sample_error_s")] > 0).any()
    assert (inputs[:, INPUTS.index("late_s")] > 0).any()


def test_the_python_law_answers_as_the_bench_without_this_program(package: Path) -> None:
    for path in (package / "python").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            else:
                continue
            assert not {name.split(".")[0] for name in names} & {"hil", "ui", "drivers", "scipy"}
    done = ran(sys.executable, "test_law.py", cwd=package / "python")
    assert (done.returncode, done.stdout) == (0, "passed\n"), done.stderr


@compiler
def test_the_c_law_answers_as_the_bench_in_both_precisions(copy: Path) -> None:
    done = ran("make", "CC=gcc", "check", "sanitize", cwd=copy / "c")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": passed") == 6


@compiler
def test_a_law_with_a_polynomial_and_a_left_hand_screw(slide: Path, tmp_path: Path) -> None:
    for name in ("c", "vectors"):
        shutil.copytree(slide / name, tmp_path / name)
    done = ran("make", "CC=gcc", "check", cwd=tmp_path / "c")
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_c_law_allocates_nothing_and_needs_no_library_but_the_mathematical(
    package: Path,
) -> None:
    source = (package / "c" / "law.c").read_text()
    assert {line for line in source.splitlines() if line.startswith("#include")} == {
        '#include "law.h"',
        "#include <math.h>",
    }


@compiler
def test_the_simulated_rig_under_the_c_law_gives_the_demos_figures(
    package: Path, tmp_path: Path
) -> None:
    profile = load_profile("footplate_trainer")
    sequence = load_sequence("demo").fitted(20.0)
    bench = LawInLoop(built(package, tmp_path), profile, 1)
    with RunWriter(tmp_path, "law", {"profile": profile_to_dict(profile)}) as writer:
        ended = LockstepRunner(bench, writer).run(perform(sequence, profile))
    assert ended.how == "finished", ended
    assert writer.path is not None
    measured = measure(load_run(writer.path), sequence.figures)
    assert measured.good, [figure_line(figure) for figure in measured.figures]
    assert len(measured.figures) == len(sequence.figures) >= 6
    assert bench.cycles > 10_000
    assert bench.tripped == set()
    assert bench.worst_N_m < 1e-9 * bench.bench.peak_torque_N_m


# ------------------------------------------------------------------------ changes to a package


def test_other_forms_of_the_law_have_its_numbers(package: Path) -> None:
    data = json.loads((package / "law.json").read_text())
    assert yaml.safe_load((package / "law.yaml").read_text()) == data
    robot = ElementTree.parse(package / "actuator.urdf").getroot()
    joint = robot.find("joint")
    assert joint is not None and joint.get("type") == "prismatic"
    limit = joint.find("limit")
    assert limit is not None
    assert float(limit.get("lower", "")) == data["limits"]["travel"]["lower"]
    assert float(limit.get("upper", "")) == data["limits"]["travel"]["upper"]
    assert float(limit.get("effort", "")) == data["limits"]["force"]["limited"]
    assert float(limit.get("velocity", "")) == data["limits"]["speed"]["limited"]
    reduction = robot.findtext("transmission/actuator/mechanicalReduction")
    assert float(reduction or "") == pytest.approx(1 / data["signs"]["nut_m_per_rad"])


def test_the_law_has_all_that_is_known_of_the_actuator(package: Path) -> None:
    data = json.loads((package / "law.json").read_text())
    profile = load_profile("footplate_trainer")
    law, _ = law_of(profile)
    assert data["plant"]["mass_kg"] == profile.actuator.reflected_mass
    assert data["plant"]["stiffness_N_m"] == 120e3
    spring = data["spring_law"]
    assert len(spring["deflection_m"]) == len(spring["inverse_force_N"]) == 41
    for x, force, u95 in zip(
        spring["deflection_m"], spring["force_N"], spring["u95_N"], strict=True
    ):
        assert (force, u95) == (law.calibration.force(x), law.calibration.u95(force))
    back = np.interp(spring["inverse_deflection_m"], spring["deflection_m"], spring["force_N"])
    assert back == pytest.approx(spring["inverse_force_N"], abs=5.0)  # knee between two points
    assert data["heat_model"]["winding_time_constant_s"] == 45.0
    assert data["drive"]["identity"] and data["drive"]["protocol"] == "cia402"
    assert "lower mechanical end" in data["reference"]["procedure"]
    assert data["sources"]["data_sheet_runs"] == ["0001-invented"]
    assert "LICENSE.txt" in data["licence_of_use"]
    assert (package / "LICENSE.txt").read_text() == (TEMPLATES.parents[2] / "LICENSE").read_text()


def test_the_profile_comes_back_from_the_package(package: Path) -> None:
    back = profile_to_dict(load_profile(package / "profile" / "profile.yaml"))
    sent = profile_to_dict(load_profile("footplate_trainer"))
    sheets = [Path(data["drive"].pop("eds")) for data in (back, sent)]
    assert back == sent
    assert sheets[0] == (package / "profile" / sheets[1].name).resolve()
    assert sheets[0].read_bytes() == sheets[1].read_bytes()


def test_the_law_is_described_by_its_schema(package: Path) -> None:
    data = json.loads((package / "law.json").read_text())
    LawFile.model_validate(data)
    schema = json.loads((package / "law.schema.json").read_text())
    assert set(schema["required"]) == set(data)


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"peak_torque_N_m": 2.9699}, "altered"),
        ({"units": {"position": "mm"}}, "units changed"),
        ({"schema_version": 2}, "not a law"),
    ],
)
def test_a_changed_law_is_refused_by_name(copy: Path, values: dict[str, Any], name: str) -> None:
    changed(copy, **values)
    law = python_law(copy)
    with pytest.raises(law.LawError, match=name):
        law.load(copy / "law.json")


def test_an_old_calibration_is_refused_by_name(package: Path) -> None:
    law = python_law(package)
    today = datetime.date.today()
    law.load(package / "law.json", today + datetime.timedelta(days=350))
    with pytest.raises(law.LawError, match="old calibration"):
        law.load(package / "law.json", today + datetime.timedelta(days=380))


def test_acceptance_passes_as_handed_over_and_names_each_fault(copy: Path) -> None:
    renewed(copy)
    assert accepted(copy, "-k", "not c_law") == set()
    data = json.loads((copy / "law.json").read_text())

    # Faults: a digit of a gain with forged fingerprint, other units, an old calibration, changed C.
    objects = data["objects"]
    objects["force_controller"]["fields"]["_kp"] *= 1.001
    changed(
        copy,
        forged=True,
        objects=objects,
        calibration=data["calibration"] | {"dated": "2020-01-01"},
    )
    source = (copy / "c" / "law.c").read_text()
    gain = next(line for line in source.splitlines() if "force_controller.kp_ = " in line)
    (copy / "c" / "law.c").write_text(source.replace(gain, f"{gain[:-1]} * R(1.001);"))
    expected = {
        "test_no_file_was_changed",
        "test_the_calibration_is_not_old",
        "test_c_and_json_are_of_one_law",
        "test_yaml_and_json_are_of_one_law",
        "test_the_robot_description_is_of_this_law",
        "test_the_python_law_answers_as_the_bench",
    }
    if shutil.which("cc") and shutil.which("make"):
        expected.add("test_the_c_law_answers_as_the_bench")
    assert accepted(copy) == expected


# ------------------------------------------------------------------------ mistakes


def test_a_folder_that_holds_something_is_kept(package: Path, tmp_path: Path) -> None:
    profile = load_profile("footplate_trainer")
    with pytest.raises(HandoverError, match="already exists"):
        hand_over(profile, package)
    real = profile.model_copy(update={"simulation": None})
    with pytest.raises(HandoverError, match="no 'simulation' part"):
        hand_over(real, tmp_path / "other")
    assert not list(tmp_path.iterdir())


class Odd:
    def waits(self, x: float) -> float:
        while x > 1.0:
            x = x - 1.0
        return x

    def names(self, x: float) -> str:
        return f"{x}"


@pytest.mark.parametrize("name", ["waits", "names"])
def test_source_that_cannot_be_written_in_c_is_refused_with_its_place(name: str) -> None:
    law, _ = law_of(load_profile("footplate_trainer"))
    graph = Graph(law)
    slot = dataclasses.replace(graph.slot(law), value=Odd(), name="odd", path="odd")
    method = Method(Odd, name, getattr(Odd, name))
    with pytest.raises(NotTranslatable, match=r"test_package\.py:\d+"):
        CFunction(graph, method, slot)
