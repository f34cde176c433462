"""Worst case and coding rules of the C law: counted twice, and each rule finds a planted violation."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from hil.handover.operations import longest_row, worst_case
from hil.handover.package import law_of
from hil.handover.translated import ENTRIES, Graph
from hil.profile import load_profile
from tests.hil.handover.c_rules import RULES, rules_named
from tests.hil.handover.c_syntax import Operations, Unit, unit_of
from tests.hil.handover.in_package import python_law, ran

pytestmark = pytest.mark.skipif(not shutil.which("gcc"), reason="no gcc: not preprocessed")


@pytest.mark.parametrize("name", ["footplate_trainer", "bench_slide"])
def test_operations_are_those_that_a_parser_of_c_counts(
    name: str, package: Path, slide: Path
) -> None:
    law, _ = law_of(load_profile(name))
    stated = worst_case(law)
    folder = slide if name == "bench_slide" else package
    counter = Operations(unit_of(folder / "c"), longest_row(Graph(law)))
    for entry in ENTRIES:
        found = {kind: n for kind, n in counter.of(f"Law_{entry}").items() if n}
        assert found == stated[entry], entry
    assert stated["cycle"]["multiply"] >= stated["sense"]["multiply"] + stated["act"]["multiply"]


def test_law_and_readme_state_the_worst_case(package: Path) -> None:
    law, _ = law_of(load_profile("footplate_trainer"))
    stated = json.loads((package / "law.json").read_text())["operations"]
    assert stated == worst_case(law)
    readme = " ".join((package / "README.md").read_text().split())
    for word, kind in (("additions", "add"), ("multiplications", "multiply"), ("`sqrt`", "sqrt")):
        assert f"{stated['cycle'][kind]} {word}" in readme


class Counted(float):
    """A number that counts the operations on it."""

    done: dict[str, int] = {}


def _counting(kind: str, name: str) -> Any:
    plain = getattr(float, name)

    def act(self: Any, other: Any) -> Any:
        Counted.done[kind] = Counted.done.get(kind, 0) + 1
        found = plain(float(self), float(other))
        return found if isinstance(found, bool) else Counted(found)

    return act


for _kind, _names in {
    "add": ("__add__", "__radd__", "__sub__", "__rsub__"),
    "multiply": ("__mul__", "__rmul__"),
    "divide": ("__truediv__", "__rtruediv__"),
    "compare": ("__lt__", "__le__", "__gt__", "__ge__"),
}.items():
    for _name in _names:
        setattr(Counted, _name, _counting(_kind, _name))


def test_no_cycle_of_the_vectors_takes_more_than_the_worst_case(package: Path) -> None:
    python = python_law(package)
    data = json.loads((package / "law.json").read_text())
    law = python.build(data["objects"])
    for value in {id(v): v for v in vars(law).values() if hasattr(v, "__dict__")}.values():
        for key, field in vars(value).items():
            if type(field) is float:
                setattr(value, key, Counted(field))
    inputs, _ = python.read_vectors(package / "vectors" / "late.csv")
    most: dict[str, int] = {}
    for row in inputs[:400].tolist():
        Counted.done = {}
        python._advance(law, [Counted(x) for x in row])
        most = {k: max(most.get(k, 0), n) for k, n in {**most, **Counted.done}.items()}
    for kind, number in most.items():
        worst = data["operations"]["cycle"][kind]
        # Results of library functions are plain floats, so that some operations are not counted.
        assert 0.3 * worst < number <= worst, (kind, number, worst)


@pytest.mark.parametrize("single", [False, True])
def test_the_c_law_keeps_the_coding_rules_that_its_readme_names(
    package: Path, slide: Path, single: bool
) -> None:
    assert rules_named((package / "README.md").read_text()) == set(RULES)
    for folder in (package, slide):
        unit = unit_of(folder / "c", single)
        assert {rule: found for rule, find in RULES.items() if (found := find(unit))} == {}


def test_the_compiler_holds_the_others(copy: Path, slide: Path) -> None:
    done = ran("make", "CC=gcc", "rules", cwd=copy / "c")
    assert done.returncode == 0, done.stdout + done.stderr
    for name in ("law.c", "law.h"):
        shutil.copy(slide / "c" / name, copy / "c")
    done = ran("make", "-B", "CC=gcc", "rules", cwd=copy / "c")
    assert done.returncode == 0, done.stdout + done.stderr
    broken = (copy / "c" / "law.c").read_text()
    broken = broken.replace("    self->torque_N_m = torque;", "    self->limited = torque;")
    (copy / "c" / "law.c").write_text(broken)
    done = ran("make", "CC=gcc", "rules", cwd=copy / "c")
    assert done.returncode != 0 and "conversion" in done.stderr


BREACHES = {
    "2.1": "static real f(real x)\n{\n    return x;\n    x = x;\n}",
    "2.2": "static real f(real x)\n{\n    real y;\n    return x;\n}",
    "8.8": "real f(real x)\n{\n    return x;\n}",
    "8.9": "static real kept;\nstatic real f(void)\n{\n    return kept;\n}",
    "10.4": "static real f(int i)\n{\n    return (i + 1.0);\n}",
    "13.4": "static real f(real x)\n{\n    real y;\n    return (y = x);\n}",
    "14.2": "static void f(void)\n{\n    int i;\n    for (i = 0; i < 3; i++) {\n        i = 2;\n    }\n}",
    "14.4": "static int f(int i)\n{\n    if (i) {\n        i = 2;\n    }\n    return i;\n}",
    "15.1": "static void f(void)\n{\n    goto end;\nend:\n    return;\n}",
    "15.4": "static void f(int i)\n{\n    while (i > 0) {\n        break;\n    }\n}",
    "15.6": "static int f(int i)\n{\n    if (i > 0) i = 2;\n    return i;\n}",
    "16.1": "static void f(int i)\n{\n    switch (i) {\n    default: return;\n    }\n}",
    "17.2": "static void f(int i)\n{\n    f(i);\n}",
    "17.7": "static int g(void)\n{\n    return 1;\n}\nstatic void f(void)\n{\n    g();\n}",
    "18.4": "static real f(real *x)\n{\n    return (x + 1)[0];\n}",
    "19.2": "union both {\n    int i;\n    real x;\n};",
    "21.3": "static void f(void)\n{\n    malloc(8);\n}",
}


@pytest.mark.parametrize("rule", sorted(RULES))
def test_each_rule_finds_its_breach(rule: str, tmp_path: Path) -> None:
    (tmp_path / "law.c").write_text(f"typedef double real;\n{BREACHES[rule]}\n")
    assert RULES[rule](Unit(tmp_path))
    assert re.fullmatch(r"\d+\.\d+", rule)
