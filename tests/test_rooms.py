"""Order of the packages: ui → hil → drivers, Qt in ui alone, files of a readable length."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("drivers", "hil", "ui")
BELOW = {"drivers": {"drivers"}, "hil": {"hil", "drivers"}, "ui": {"ui", "hil", "drivers"}}
QT = {"PySide6", "PyQt5", "PyQt6", "pyqtgraph", "shiboken6"}
# Libraries that send or receive on a wire belong to drivers.
WIRE = {"can", "canopen", "serial", "cantools"}
LONGEST = 420  # lines; 400 is the goal


def modules() -> list[Path]:
    return sorted(file for package in PACKAGES for file in (ROOT / package).rglob("*.py"))


def imported(text: str) -> set[str]:
    """Return the top-level names that a module's text imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
        elif isinstance(node, ast.Call) and node.args:
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            first = node.args[0]
            if name in ("import_module", "__import__") and isinstance(first, ast.Constant):
                names.add(str(first.value).split(".")[0])
    return names


def test_the_reader_of_imports_sees_each_form() -> None:
    text = (
        "import a.b, c\nfrom d.e import f\nfrom . import g\ndef h():\n    import i\n"
        "    importlib.import_module('j.k')\n"
    )
    assert imported(text) == {"a", "c", "d", "i", "j"}


def test_there_are_modules_to_look_at() -> None:
    assert {file.relative_to(ROOT).parts[0] for file in modules()} == set(PACKAGES)


@pytest.mark.parametrize("package", PACKAGES)
def test_imports_go_down_only(package: str) -> None:
    wrong = {
        str(file.relative_to(ROOT)): sorted(up)
        for file in modules()
        if file.relative_to(ROOT).parts[0] == package
        and (up := (imported(file.read_text()) & {*PACKAGES, "tests"}) - BELOW[package])
    }
    assert wrong == {}


def test_qt_lives_in_ui_and_wires_in_drivers() -> None:
    wrong = {}
    for file in modules():
        package = file.relative_to(ROOT).parts[0]
        barred = (QT if package != "ui" else set()) | (WIRE if package != "drivers" else set())
        if found := imported(file.read_text()) & barred:
            wrong[str(file.relative_to(ROOT))] = sorted(found)
    assert wrong == {}


def test_files_are_short_enough_to_read() -> None:
    files = [*modules(), *(ROOT / "tests").rglob("*.py")]
    lengths = {str(file.relative_to(ROOT)): len(file.read_text().splitlines()) for file in files}
    long = {name: n for name, n in lengths.items() if n > LONGEST}
    assert long == {}


@pytest.mark.parametrize("package", PACKAGES)
def test_docstrings_begin_with_a_verb_or_a_noun(package: str) -> None:
    begun = re.compile(r"(What|Whether|How|That|Which|Where|When)\b")
    wrong = [
        f"{path}:{node.body[0].lineno}: {text.splitlines()[0]}"
        for path in sorted((ROOT / package).rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and begun.match(text := ast.get_docstring(node) or "")
    ]
    assert not wrong, "\n".join(wrong)


def test_the_longest_files_of_tests_are_there(request: pytest.FixtureRequest) -> None:
    [plugin] = [
        plugin
        for plugin in request.config.pluginmanager.get_plugins()
        if getattr(plugin, "__file__", None) == str(ROOT / "tests" / "conftest.py")
    ]
    assert [name for name in plugin.LONGEST_FIRST if not (ROOT / "tests" / name).is_file()] == []


def test_names_of_test_files_are_unique() -> None:
    """pytest cannot collect the second of two files with the same name."""
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert sorted(names) == sorted(set(names))


@pytest.mark.parametrize(
    ("begins", "slow"),
    [
        ("from ui import cli; cli.parser()", ("matplotlib", "scipy", "pint", "PySide6")),
        ("import hil.measure", ("matplotlib", "scipy", "pint")),  # of every dashboard
    ],
)
def test_nothing_waits_for_libraries_that_it_may_not_need(begins: str, slow: Sequence[str]) -> None:
    """These libraries load for up to a second each, which help or a window should not wait for."""
    program = f"import sys; {begins}\nprint([name for name in sys.argv[1:] if name in sys.modules])"
    words = [sys.executable, "-c", program, *slow]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
