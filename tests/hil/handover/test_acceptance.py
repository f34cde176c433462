"""A package's acceptance tests: on the simulated rig, with faults, with hands and without."""

from __future__ import annotations

import importlib
import importlib.util
import inspect
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tests.hil.handover.in_package import (
    accepted,
    acts_of,
    changed,
    failed,
    guarded_rig,
    imported,
    manifest_forged,
    renewed,
    run_pytest,
)
from tests.hil.handover.simulated_adapter import open_rig

RIG_TESTS = "acceptance/test_rig.py"


def with_rig(folder: Path, *more: str, adapter: str = "simulated_adapter.py", say: str = "") -> Any:
    """Run the package's tests of the rig with the rig file beside its README."""
    shutil.copy(Path(__file__).parent / "simulated_adapter.py", folder)
    (folder / "rig.yaml").write_text(f"adapter: {adapter}:open_rig\n{say}")
    return run_pytest(folder, "--rig", "rig.yaml", "--report", "told", RIG_TESTS, *more)


# ------------------------------------------------------------------------ faults of a rig


@pytest.mark.parametrize(
    ("rig", "failing", "words"),
    [
        ({"identity": "another drive"}, "drive_is_of_the_kind", "another drive"),
        ({"actual": {"current_loop_time_constant_s": 0.02}}, "torque_answers", "another drive"),
        ({"faults": ["supply_low"]}, "drive_reports", "supply is 27"),
        ({"faults": ["deflection_reversed"]}, "by_hand_the_deflection", "swapped wire or sign"),
        ({"faults": ["channels_swapped"]}, "zero_of_the_calibration", "its wire or calibration"),
        ({"faults": ["deflection_rail"]}, "within_its_range", "at its rail"),
        (
            {"actual": {"sensor_zero_counts": 2120.0}},
            "zero_of_the_calibration",
            "calibration changed",
        ),
        ({"faults": ["screw_left_handed"]}, "by_hand", "lead or hand of the screw"),
        ({"actual": {"sensor_scale": 1.12}}, "calibrations_scale", "lead or calibration changed"),
        (
            {"faults": ["springs_mixed"]},
            "springs_are_those",
            "springs, motor or calibration changed",
        ),
        ({"faults": ["springs_soft"]}, "springs_are_those", "springs, zero, motor or lead differ"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_a_fault_of_a_receivers_rig_is_named(
    package: Path, acceptance: ModuleType, rig: dict[str, Any], failing: str, words: str
) -> None:
    guarded = guarded_rig(package, **rig)
    for act in acts_of(acceptance):
        try:
            act(guarded)
        except AssertionError as error:
            assert failing in act.__name__ and words in str(error), (act.__name__, str(error))
            break
    else:
        pytest.fail("nothing was found")
    guarded.close()


def test_a_rig_of_another_build_is_accepted(
    slide: Path, acceptance: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A left-hand screw, a guided mass and a polynomial law; friction keeps the springs loaded."""
    tests = imported(slide, monkeypatch)
    guarded = guarded_rig(slide, profile="bench_slide")
    for act in acts_of(tests):
        act(guarded)
    assert len(guarded.figures) >= 12
    guarded.close()


def test_a_reversed_sensor_is_found_without_hands_too(
    package: Path, acceptance: ModuleType
) -> None:
    guarded = guarded_rig(package, faults=["deflection_reversed"])
    with pytest.raises(AssertionError, match="swapped wire or sign"):
        acceptance.test_the_deflection_sensor_reads_the_right_way(guarded)
    guarded.close()


def test_a_calibration_changed_in_the_package_is_found_on_the_rig(
    package: Path, acceptance: ModuleType
) -> None:
    """A forged fingerprint and both laws rewritten: only the rig shows the change."""
    data = json.loads((package / "law.json").read_text())
    data["objects"]["calibration"]["fields"]["per_count"] *= 1.15
    adapter = open_rig()
    hands = importlib.import_module("hands").Simulated(adapter)
    guarded = importlib.import_module("guarded").Guarded(adapter, data, hands)
    with pytest.raises(AssertionError, match="sensor, lead or calibration changed"):
        acceptance.test_the_deflection_sensor_has_the_calibrations_scale(guarded)
    guarded.close()


# ------------------------------------------------------------------------ order and hands


def test_every_test_under_power_builds_on_all_before_it(acceptance: ModuleType) -> None:
    tests = acts_of(acceptance)
    marks = {t.__name__: {m.name: m for m in getattr(t, "pytestmark", [])} for t in tests}
    below: dict[str, set[str]] = {}
    before: set[str] = set()
    for name in marks:
        direct = set(marks[name]["builds_on"].args) if "builds_on" in marks[name] else set()
        assert direct <= before, f"{name} builds on what comes after it"
        below[name] = direct.union(*(below[other] for other in direct))
        if "power" in marks[name]:
            # Tests that need a person may be left out; after one failed, no test powers on.
            assert below[name] == {n for n in before if "hands" not in marks[n]}, name
            assert "powered" in inspect.signature(vars(acceptance)[name]).parameters
        before.add(name)
    assert {"power", "motion", "hands"} <= {mark for found in marks.values() for mark in found}


# ------------------------------------------------------------------------ as a receiver runs them


@pytest.fixture(scope="module")
def handed(package: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("handed") / "law"
    shutil.copytree(package, folder)
    renewed(folder)
    yield folder


def told(folder: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((folder / "told" / "acceptance.json").read_text())
    return data


def test_a_sound_rig_is_accepted_and_the_report_has_every_figure(handed: Path) -> None:
    done = with_rig(handed, "--power", "--simulated-hands")
    assert "11 passed" in done.stdout, done.stdout + done.stderr
    assert "accepted: report" in done.stdout
    report = told(handed)
    assert report["verdict"] == "accepted" and report["simulated"] and report["power"]
    assert report["law"]["identity"] == json.loads((handed / "law.json").read_text())["identity"]
    for test in report["tests"]:
        assert test["outcome"] == "passed" and test["figures"], test
        for figure in test["figures"]:
            assert figure["verdict"] == "within" and figure["unit"], figure
    assert len(report["curves"]) == 3 and all(len(c["x"]) > 100 for c in report["curves"])
    page = (handed / "told" / "acceptance.html").read_text()
    assert "accepted" in page and page.count("<polyline") == 3
    assert "0.88 to 1.12" in page  # a tolerance band

    # With the package's own tests: those of its files are one line on the page, all in the JSON.
    done = run_pytest(handed, "--rig", "rig.yaml", "--report", "told", "-k", "not answers_as")
    names = [test["test"] for test in told(handed)["tests"]]
    assert sum("no_file_was_changed" in name for name in names) > 20, done.stdout
    page = (handed / "told" / "acceptance.html").read_text()
    assert page.count("no file was changed") == 1 and "skipped" in page

    # Without a person at the rig power stays off.
    done = with_rig(handed, "--power")
    assert "4 passed" in done.stdout and "no one is at the rig" in done.stdout, done.stdout
    report = told(handed)
    assert report["verdict"] == "incomplete"
    assert not [t for t in report["tests"] if t["figures"] and "nut" in t["test"]]


def test_a_failure_stops_what_builds_on_it_and_is_reported(handed: Path) -> None:
    faults = "options: {faults: [deflection_reversed]}\n"
    done = with_rig(handed, "--power", "--simulated-hands", "-m", "not hands", say=faults)
    assert failed(done) == {"test_the_deflection_sensor_reads_the_right_way"}
    assert "3 skipped" in done.stdout, done.stdout
    assert "it builds on test_the_deflection_sensor_reads_the_right_way" in done.stdout
    report = told(handed)
    assert report["verdict"] == "not accepted"
    [wrong] = [t for t in report["tests"] if t["outcome"] == "failed"]
    assert "swapped wire or sign" in wrong["text"]
    assert "not accepted" in (handed / "told" / "acceptance.html").read_text()


def test_one_test_alone_is_not_powered_without_what_it_builds_on(handed: Path) -> None:
    done = with_rig(handed, "--power", "--simulated-hands", "-k", "holds_a_force")
    assert "1 skipped, " in done.stdout and "1 passed" not in done.stdout, done.stdout
    assert "it builds on test_the_springs_are_those" in done.stdout


def test_a_rig_file_that_widens_the_envelope_is_refused_in_one_line(handed: Path) -> None:
    done = with_rig(handed, "--power", "--simulated-hands", say="limits: {force_N: 1000}\n")
    assert "1 error" in done.stdout and " passed" not in done.stdout.replace("not passed", "")
    assert "the rig is not opened: limits: force_N: 1000; Fix: narrow one of" in done.stdout
    assert "Traceback" not in done.stdout and "conftest.py" not in done.stdout, done.stdout


def test_the_rig_of_a_changed_or_old_package_is_not_opened(copy: Path) -> None:
    opens = "def open_rig():\n    open('opened', 'w').close()\n    raise OSError('opened')\n"
    (copy / "opens.py").write_text(opens)
    data = json.loads((copy / "law.json").read_text())
    old = data["calibration"] | {"dated": "2020-01-01"}
    cases: list[tuple[dict[str, Any], str]] = [
        ({"calibration": old}, "old calibration"),
        ({"units": data["units"] | {"force": "kN"}}, "units changed"),
    ]
    for values, words in cases:
        renewed(copy)
        changed(copy, forged=True, **values)
        manifest_forged(copy)
        done = with_rig(copy, "--power", "--simulated-hands", adapter="opens.py")
        assert f"the rig is not opened: {words}" in done.stdout, done.stdout
        changed(copy, units=data["units"])
    renewed(copy)
    text = (copy / "law.json").read_text()
    (copy / "law.json").write_text(text.replace('"peak_torque_N_m": 2.6', '"peak_torque_N_m": 2.7'))
    manifest_forged(copy)
    done = with_rig(copy, "--power", "--simulated-hands", adapter="opens.py")
    assert "the rig is not opened: altered" in done.stdout, done.stdout
    assert not (copy / "opened").exists()


# ------------------------------------------------------------------------ faults of a package

DIGIT = re.compile(rb"\d(?=\D*\Z)")


def test_a_digit_changed_in_any_file_is_named_by_the_file(copy: Path) -> None:
    renewed(copy)
    names = sorted(json.loads((copy / "manifest.json").read_text()))
    spare = {"law.json", "conftest.py", "pytest.ini"}  # law.json has tests of its own
    for name in set(names) - spare:
        if not name.startswith(("acceptance/", "python/")):
            content = (copy / name).read_bytes()
            (copy / name).write_bytes(DIGIT.sub(lambda m: b"%d" % (9 - int(m[0])), content))
        else:
            (copy / name).write_bytes((copy / name).read_bytes() + b"# 1\n")
    found = failed(run_pytest(copy, "-k", "no_file_was_changed"), whole=True) if names else set()
    assert {name.split("[")[1].rstrip("]") for name in found} == set(names) - spare


def test_a_part_of_another_law_is_named_even_with_a_forged_manifest(copy: Path) -> None:
    renewed(copy)
    data = json.loads((copy / "law.json").read_text())
    bound = sorted(data["fingerprints"])
    assert {name.split("/")[0] for name in bound} >= {"vectors", "profile", "law.schema.json"}
    for name in bound:
        if name == "law.schema.json":
            schema = json.loads((copy / name).read_text())
            schema["required"].remove("gains")
            (copy / name).write_text(json.dumps(schema))
        else:
            content = (copy / name).read_bytes()
            (copy / name).write_bytes(DIGIT.sub(lambda m: b"%d" % (9 - int(m[0])), content))
    for name, was in (("law.yaml", "limited: 580.0"), ("actuator.urdf", 'effort="580.0"')):
        text = (copy / name).read_text()
        assert was in text
        (copy / name).write_text(text.replace(was, was.replace("580", "590")))
    manifest_forged(copy)
    done = run_pytest(copy, "-k", "not answers_as_the_bench")
    assert failed(done, whole=True) == {
        "test_yaml_and_json_are_of_one_law",
        "test_the_robot_description_is_of_this_law",
        "test_the_law_has_every_part_that_its_schema_asks_for",
        *(f"test_no_file_is_of_another_law[{name}]" for name in bound),
    }


def test_a_digit_changed_in_the_python_law_is_found_by_the_vectors(copy: Path) -> None:
    renewed(copy)
    path = copy / "python" / "hookeline_law" / "shaping.py"
    text = path.read_text()
    assert "0.0" in text
    path.write_text(
        text.replace("self.force_N = ", "self.force_N = 1e-6 + ")
        if "self.force_N = " in text
        else text.replace("return ", "return 1e-6 + ", 1)
    )
    manifest_forged(copy)
    assert accepted(copy, "-k", "not c_law") == {"test_the_python_law_answers_as_the_bench"}


# ------------------------------------------------------------------------ the rig file


def test_a_wrong_rig_file_is_one_line_with_a_fix(package: Path, tmp_path: Path) -> None:
    start = package / "conftest.py"
    spec = importlib.util.spec_from_file_location("acceptance_conftest", start)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for text in ("adapter: nowhere.py:open_rig", "adapter: 7", "other: x", "a: [", "7"):
        (tmp_path / "rig.yaml").write_text(text)
        with pytest.raises(pytest.UsageError, match="Fix: write 'adapter: FILE"):
            module.adapter_of(tmp_path / "rig.yaml")
