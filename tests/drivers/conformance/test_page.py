"""DEVELOPERS.md, "Add a drive protocol": every name in it exists, and its instructions work."""

from __future__ import annotations

import importlib
import inspect
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from conformance_suite import DriveConformance
from test_outside import OUTSIDE, install

from drivers.base import Drive, WireProtocol

pytestmark = pytest.mark.real_time

ROOT = Path(__file__).parents[3]
TEXT = (ROOT / "DEVELOPERS.md").read_text()
PAGE = TEXT[TEXT.index("## Add a drive protocol") : TEXT.index("## Tests and benchmarks")]
BLOCK = re.compile(r"^ *```(\w+)\n(.*?)^ *```$", re.M | re.S)
BLOCKS = {kind: inspect.cleandoc("\n" + text) + "\n" for kind, text in BLOCK.findall(PAGE)}
NAMES = set(re.findall(r"`([^`\n]+)`", BLOCK.sub("", PAGE)))


def resolved(name: str) -> Any:
    """Return the object of a dotted name; attributes of dataclasses and protocols included."""
    module, _, rest = name.partition(".")
    found: Any = importlib.import_module(module)
    for part in rest.split(".") if rest else ():
        module = f"{module}.{part}"
        found = getattr(found, part, None) or importlib.import_module(module)
    return found


def test_each_test_of_the_suite_is_named_and_no_other() -> None:
    held = {name for name in dir(DriveConformance) if name.startswith("test_")}
    assert {name for name in NAMES if re.fullmatch(r"test_\w+", name)} == held


@pytest.mark.parametrize("name", sorted(n for n in NAMES if re.match(r"drivers\.\w+", n)))
def test_each_module_class_and_function_is_there(name: str) -> None:
    resolved(name)


@pytest.mark.parametrize("name", sorted(n for n in NAMES if re.search(r"/|\.py$|\.toml$", n)))
def test_each_file_is_there(name: str) -> None:
    if name != "test_postern.py":
        assert (ROOT / name).exists() or (OUTSIDE / name).exists()


@pytest.mark.parametrize("interface", [Drive, WireProtocol])
def test_no_part_of_the_interface_is_left_out(interface: type) -> None:
    parts = {n for n in vars(interface) | interface.__annotations__ if not n.startswith("_")}
    said = {name.partition("(")[0] for name in NAMES}
    assert parts - said == set()


def test_parts_that_are_named_without_their_owner_are_there() -> None:
    from drivers.base import Capabilities, Command, ResumesCyclic, Telemetry
    from drivers.declared.common.drive import DeclaredDrive
    from drivers.simulated.drive_core import SimulatedDriveCore
    from drivers.simulated.parameters import RigParameters
    from drivers.simulated.simulation_control import SimulationControl

    core = SimulatedDriveCore(RigParameters())
    owners = {
        "core": core,
        "Telemetry": Telemetry(),
        "Command": Command(),
        "control": SimulationControl,
    }
    told = [name.split(".") for name in NAMES if name.split(".")[0] in owners and "." in name]
    assert len(told) >= 7
    for owner, *parts in told:
        found = owners[owner]
        for part in parts:
            assert hasattr(found, part) or part == "ending", f"{owner}.{part}"
            found = getattr(found, part, None)
    for name in ("request_power", "set_target", "host_lost"):
        assert name in NAMES and hasattr(core, name)
    for name in ("command_delay_cycles", "peak_torque_N_m"):
        assert name in NAMES and name in Capabilities.__dataclass_fields__
    assert "resume_cyclic" in NAMES and hasattr(ResumesCyclic, "resume_cyclic")
    assert "timed_by_wires = True" in NAMES and DeclaredDrive.timed_by_wires


def test_the_registration_is_the_examples_own() -> None:
    assert BLOCKS["toml"] in (OUTSIDE / "pyproject.toml").read_text()


def test_the_steps_do_what_they_say(tmp_path: Path) -> None:
    """Run in a new process, which finds the package as any other program would."""
    place, tree = tmp_path / "work", tmp_path / "installed"
    place.mkdir()
    tree.mkdir()
    (place / "test_postern.py").write_text(BLOCKS["python"])
    (place / "my_rig.yaml").write_text(BLOCKS["yaml"])
    installing, testing, checking, demonstrating = BLOCKS["sh"].splitlines()
    assert installing == f"pip install -e HOOKELINE/{OUTSIDE.relative_to(ROOT)}"
    install(tree)  # does the same as that line, without a network
    paths = f"{tree}{os.pathsep}{ROOT / 'tests/drivers/conformance'}"
    environment = {**os.environ, "PYTHONPATH": paths, "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}

    assert testing.startswith("PYTHONPATH=HOOKELINE/tests/drivers/conformance python -m pytest ")
    arguments = testing.split(" python ")[1].split()
    told = subprocess.run(
        [sys.executable, *arguments, "-q", "-p", "no:cacheprovider", "-k", "tells_what or peak"],
        cwd=place,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "2 passed" in told.stdout, told.stdout + told.stderr
    for line in (checking, demonstrating):
        assert line.startswith("hookeline ") and "my_rig.yaml" in line
    told = subprocess.run(
        [sys.executable, "-m", "ui.cli", *checking.split()[1:]],
        cwd=place,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert told.returncode == 0, told.stdout + told.stderr
    assert "port.baud" in told.stdout
